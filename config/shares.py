"""Shares of a whole as people read them: "71 %", a space before the sign as before every unit."""


def percent(share: float, digits: int = 0) -> str:
    """A share (1 is all of it) in per cent, with its sign: "71 %".

    The space is that of ISO 80000-1, 7.4; as before °C it is a plain one.
    """
    return f"{100.0 * share:.{digits}f} %"
