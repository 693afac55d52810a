"""Whether what a journal has open is still what lies under its name.

A file that was deleted or replaced lives on for whoever has it open, and is lost with the process.
Most of what is new stands in the -wal, which looks like a leftover to somebody who cleans up; and a
journal whose -wal or -shm is another's than its keeper's can be read by nobody, or spoilt.
"""

import os
from pathlib import Path
from typing import Final

from config.beside import stamped_beside

Identity = tuple[int, int]
"""Device and inode."""
TAILS: Final = ("", "-wal", "-shm")


def parts_of(path: Path) -> list[Path]:
    """The files that a journal at `path` is made of while it is open, its own first."""
    return [path.with_name(path.name + tail) for tail in TAILS]


def identity(path: Path, held: Identity | None = None) -> Identity | None:
    """Of the file at `path`; None where there is none, `held` where that can't be told."""
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:
        return held
    return found.st_dev, found.st_ino


class Standing:
    """The three files of one journal while it is open: made when it was opened.

    path: where they lie, links followed, as SQLite does.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(os.path.realpath(path))
        self._parts = parts_of(self.path)
        self._held: list[Identity | None] = [None] * len(TAILS)
        self.displaced()

    def displaced(self) -> bool:
        """True when one of them was there and is no longer, or another lies in its place."""
        now = [identity(part, held) for part, held in zip(self._parts, self._held, strict=True)]
        changed = any(
            held is not None and held != found
            for held, found in zip(self._held, now, strict=True)
        )  # fmt: skip
        if not changed:
            self._held = now
        return changed

    @property
    def taken(self) -> bool:
        """True when another file lies under the journal's name."""
        return identity(self._parts[0], self._held[0]) not in (None, self._held[0])

    def give_place(self, fresh: Path) -> Path | None:
        """Put `fresh`, which holds all that is open, under the journal's name.

        A file that somebody put there is kept as NAME.found-UTC; gives where. A crash at any moment
        leaves the whole journal under its name: our own -wal holds nothing that `fresh` does not,
        and goes last. Raises OSError.
        """
        path, *tails = self._parts
        kept = None
        if self.taken:
            kept = stamped_beside(path, "found")
            try:
                kept.hardlink_to(path)
            except OSError:  # a file system without links
                path.rename(kept)
            for part, held, aside in zip(tails, self._held[1:], parts_of(kept)[1:], strict=True):
                if identity(part) not in (None, held):
                    part.rename(aside)
        fresh.replace(path)
        self._held[0] = identity(path)
        for part in tails:
            part.unlink(missing_ok=True)
        return kept
