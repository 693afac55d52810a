"""Cells of CSV files that go through spreadsheets: no text of ours is run as a formula."""

from typing import Final

FORMULA_SIGNS: Final = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
"""What makes a spreadsheet read a cell as a formula at its start (OWASP, "CSV Injection"), and the
full-width forms of the same."""


def guarded(text: str) -> str:
    """The text with an apostrophe before it where a spreadsheet would take it for a formula.

    `unguarded` gives it back; text that begins with such an apostrophe itself gets another.
    """
    return "'" + text if _risky(text) else text


def unguarded(text: str) -> str:
    """The text as it was before `guarded`."""
    return text[1:] if text.startswith("'") and _risky(text) else text


def _risky(text: str) -> bool:
    return text.lstrip("' ")[:1] in FORMULA_SIGNS
