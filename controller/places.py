"""Where the journal, the lock and the live status lie on this machine."""

import getpass
import json
import os
import re
from pathlib import Path
from typing import Any

from config.load import ConfigError, load
from config.model import Site
from controller.service_unit import BENCH_FILE, RUNTIME, STATE, UNIT, USER


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

    folder: where it lies then; by default `state_dir`, unless the service on this machine keeps a
    journal of that name.
    """
    if site.journal.path:
        return Path(site.journal.path).expanduser()
    slug = re.sub(r"[^a-z0-9]+", "-", site.site.name.lower()).strip("-") or "bench"
    name = f"{slug}.db"
    if folder is None and (kept := service_journal()) is not None and kept.name == name:
        return kept
    return (folder or state_dir()) / name


def service_journal() -> Path | None:
    """Journal of the service that is installed on this machine; None where there is none."""
    if not Path(UNIT).exists():
        return None
    try:
        return journal_path(load(Path(BENCH_FILE)), Path(STATE))
    except ConfigError:
        return None


def live_path(journal: Path) -> Path:
    """The small file in which a daemon started here keeps its latest picture."""
    runtime = os.environ.get("RUNTIME_DIRECTORY")
    folder = Path(runtime.split(":")[0]) if runtime else journal.parent
    return folder / f"{journal.stem}.live.json"


def find_live(journal: Path) -> Path:
    """That file of whoever keeps the journal: the service, or somebody by hand."""
    mine = live_path(journal)
    theirs = Path(RUNTIME) / mine.name
    there = [path for path in (mine, theirs) if path.is_file()]
    return max(there, key=lambda path: path.stat().st_mtime, default=mine)


def read_live(journal: Path) -> dict[str, Any] | None:
    """The latest picture of whoever keeps the journal, or None when there is none."""
    try:
        found: dict[str, Any] = json.loads(find_live(journal).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found


def how_to_end(journal: Path) -> str:
    """What to type to end whoever keeps the journal, also one whose terminal was closed."""
    ways = "`systemctl stop warmfoot`, or Ctrl-C where it runs"
    pid = (read_live(journal) or {}).get("journal", {}).get("pid")
    return ways if pid is None else f"{ways}, or `kill {pid}`"


def still_runs(pid: int) -> bool:
    """Whether that process is there and is a warmfoot; False where the system does not tell."""
    try:
        return b"warmfoot" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False


def tokens_path(journal: Path) -> Path:
    """The small file that keeps who may see the page, as hashes; only its owner may read it."""
    return journal.with_name(f"{journal.stem}.tokens.json")


def find_journal(given: str | None) -> Path:
    """The journal a command should read.

    given: a path from the command line or WARMFOOT_JOURNAL, or None for the one of the service on
    this machine, else the only one there is.
    Raises PlaceError when there is none, or several to choose from.
    """
    if given:
        path = Path(given).expanduser()
        if not path.is_file():
            raise PlaceError(f"{path}: no journal there; check the path after --journal")
        return path
    if (services := service_journal()) is not None:
        if not os.access(services.parent, os.R_OK | os.X_OK):
            raise PlaceError(
                f"{services}: the service's journal is for the group {USER}; type `sudo usermod "
                f"-aG {USER} {getpass.getuser()}`, then log in anew; or name another with --journal"
            )
        if services.is_file():
            return services
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
