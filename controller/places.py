"""Where the journal, the lock and the live status lie on this machine."""

import os
import re
from pathlib import Path

from config.model import Site
from controller.journal.upgrade import LOCK_TAIL


class PlaceError(OSError):
    """No journal, or more than one, where one was looked for."""


def state_dir() -> Path:
    """Directory for journals: the service's own, else the user's."""
    given = os.environ.get("STATE_DIRECTORY")
    if given:
        return Path(given.split(":")[0])
    base = os.environ.get("XDG_STATE_HOME")
    return (Path(base) if base else Path.home() / ".local" / "state") / "warmfoot"


def journal_path(site: Site, folder: Path | None = None) -> Path:
    """The site's journal: as the bench file says, else named after the site.

    folder: where it lies then; by default `state_dir`.
    """
    if site.journal.path:
        return Path(site.journal.path).expanduser()
    slug = re.sub(r"[^a-z0-9]+", "-", site.site.name.lower()).strip("-") or "bench"
    return (folder or state_dir()) / f"{slug}.db"


def live_path(journal: Path) -> Path:
    """The small file in which a running daemon keeps its latest picture."""
    runtime = os.environ.get("RUNTIME_DIRECTORY")
    folder = Path(runtime.split(":")[0]) if runtime else journal.parent
    return folder / f"{journal.stem}.live.json"


def lock_path(journal: Path) -> Path:
    """The same for every name that links give the journal, so that two programs never keep it."""
    real = Path(os.path.realpath(journal))
    return real.with_name(real.name + LOCK_TAIL)


def tokens_path(journal: Path) -> Path:
    """The small file that keeps who may see the page, as hashes; only its owner may read it."""
    return journal.with_name(f"{journal.stem}.tokens.json")


def find_journal(given: str | None) -> Path:
    """The journal a command should read.

    given: a path from the command line or WARMFOOT_JOURNAL, or None for the only one there is.
    Raises PlaceError when there is none, or several to choose from.
    """
    if given:
        path = Path(given).expanduser()
        if not path.is_file():
            raise PlaceError(f"{path}: no journal there; check the path after --journal")
        return path
    folder = state_dir()
    found = sorted(folder.glob("*.db")) if folder.is_dir() else []
    kept = [path for path in found if path.stem != "rehearsal"] or found
    if not kept:
        raise PlaceError(
            f"no journal in {folder} yet; start `warmfoot run BENCH.toml` or `warmfoot rehearse`, "
            "or name one with --journal"
        )
    if len(kept) > 1:
        names = ", ".join(path.name for path in kept)
        raise PlaceError(f"several journals in {folder} ({names}); choose one with --journal")
    return kept[0]
