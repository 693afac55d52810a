"""What is wrong with a bench file, as a grower reads it."""

from collections.abc import Iterable
from typing import NamedTuple


class Problem(NamedTuple):
    """One thing to put right.

    file: as the person named it.  line, column: counted from 1, None when it has no place.
    text: key path, value found, what is allowed.
    """

    file: str
    line: int | None
    column: int | None
    text: str

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f" line {self.line}"
        if self.column is not None:
            place += f" column {self.column}"
        return f"{place}: {self.text}"


class ConfigError(ValueError):
    """Base of this area's errors: a bench file or a recipe that cannot be used.

    problems: every problem found, in the order of the file; empty when it was given as one text.
    Its text is one line for each.
    """

    def __init__(self, problems: Iterable[Problem] | str) -> None:
        self.problems = () if isinstance(problems, str) else tuple(problems)
        text = problems if isinstance(problems, str) else "\n".join(map(str, self.problems))
        super().__init__(text)


class UnknownRecipe(ConfigError):
    """A kind of cutting for which there are no targets."""
