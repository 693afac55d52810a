"""The nearest known name, for a name that is not known."""

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(name: str, choices: Iterable[str]) -> str | None:
    """The choice that `name` was most likely meant to be, or None when none is close.

    Small and capital letters count as the same, and so do spaces, hyphens and underscores.
    """
    plain = {_plain(choice): choice for choice in choices}
    found = get_close_matches(_plain(name), plain, n=1, cutoff=0.6)
    return plain[found[0]] if found else None


def near(name: str, choices: Iterable[str]) -> str:
    """The same as words to add to a sentence: " (did you mean north?)", or "" for none close."""
    found = nearest(name, choices)
    return f" (did you mean {found}?)" if found is not None else ""


def _plain(name: str) -> str:
    return name[:100].casefold().replace("-", "_").replace(" ", "_")
