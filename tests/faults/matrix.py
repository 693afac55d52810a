"""The whole matrix, as data: every fault, where it is put in, and what is expected."""

from typing import Final

import matrix_bench
import matrix_machine
import matrix_wiring
from cases import Case

MATRIX: Final[tuple[Case, ...]] = tuple(
    sorted(
        (*matrix_bench.ROWS, *matrix_machine.ROWS, *matrix_wiring.ROWS),
        key=lambda case: (case.number[0] == "c", int("".join(filter(str.isdigit, case.number))),
                          case.number),
    )
)  # fmt: skip
LONG_H: Final = 24.0
"""Rows played for longer are left to the campaign."""


def played(*, long: bool) -> list[Case]:
    """Rows that are played here, the long ones or the others."""
    return [case for case in MATRIX if not case.held_by and (case.hours > LONG_H) is long]
