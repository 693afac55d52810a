"""The lock that whoever keeps a bench holds, beside its journal."""

import os
from pathlib import Path
from typing import Final

from filelock import FileLock

MODE: Final = 0o660
"""Keepers take turns: the service, and people of its group while it is stopped."""


def lock_path(journal: Path) -> Path:
    """The same for every name that links give the journal, so that two programs never keep it."""
    real = Path(os.path.realpath(journal))
    return real.with_name(real.name + ".lock")


def keepers_lock(journal: Path) -> FileLock:
    """The lock of a journal, not yet taken."""
    return FileLock(lock_path(journal), mode=MODE)
