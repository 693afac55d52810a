"""Inverse of a symmetric 3 x 3 matrix, for the coupled leaf, air and cover."""


def symmetric_inverse(
    d11: float, d22: float, d33: float, d12: float, d13: float, d23: float
) -> tuple[float, float, float, float, float, float]:
    """Inverse by cofactors, in the same order: (11, 22, 33, 12, 13, 23).

    Raises ZeroDivisionError for a singular matrix.
    """
    c11 = d22 * d33 - d23 * d23
    c12 = d13 * d23 - d12 * d33
    c13 = d12 * d23 - d13 * d22
    det = d11 * c11 + d12 * c12 + d13 * c13
    return (
        c11 / det,
        (d11 * d33 - d13 * d13) / det,
        (d11 * d22 - d12 * d12) / det,
        c12 / det,
        c13 / det,
        (d12 * d13 - d11 * d23) / det,
    )
