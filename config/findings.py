"""Something wrong in a bench file, and where."""

from typing import NamedTuple

from config.positions import Path


class Finding(NamedTuple):
    """Something wrong. path: key path, list entries counted from 0.  text: what, and what to do."""

    path: Path
    text: str
