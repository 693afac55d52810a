"""How the service stands, as plain data."""

import re
from pathlib import Path
from pathlib import PurePosixPath as Place
from typing import Any

from config.load import ConfigError, loads
from config.model import Site
from controller.installed import Machine
from controller.journal import schema
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.upgrade import copies_of
from controller.page import page_address
from controller.places import journal_path
from controller.service_unit import BENCH_FILE, STATE, UNIT, USER


def standing(machine: Machine) -> dict[str, Any]:
    """What `status` tells, as plain data."""
    found, shown = machine.found(), machine.shown()
    told: dict[str, Any] = {
        "unit": str(UNIT) if found.unit is not None else None,
        "starts_with_the_machine": found.enabled,
        "running": shown.get("ActiveState") == "active",
        "state": shown.get("ActiveState") or "not known: systemd does not answer here",
        "since": shown.get("ActiveEnterTimestamp") or None,
    }
    named = re.search(r"^ExecStart=(\S+) run (\S+)$", found.unit or "", re.M)
    bench = Place(named[2]) if named else BENCH_FILE
    told |= {"program": named[1] if named else None, "bench_file": str(bench)}
    told |= dict.fromkeys(
        (
            "journal",
            "table_version",
            "table_version_wanted",
            "last_backup",
            "page",
        )
    )
    try:
        site = loads(machine.at(bench).read_text(encoding="utf-8"), bench.name)
    except FileNotFoundError:
        return told | {"bench_file": None}
    except (OSError, UnicodeDecodeError) as error:
        return told | {"bench_file": f"{bench}: can't be read: {error}"}
    except ConfigError as error:
        return told | {"bench_file": f"{bench}: not sound: {error}"}
    told |= _journal_standing(machine, site)
    told["page"] = page_address(site.page) if site.page.serve else None
    return told


def _journal_standing(machine: Machine, site: Site) -> dict[str, Any]:
    lasting = Place(journal_path(site, Path(STATE)))
    path = machine.at(lasting)
    told: dict[str, Any] = {"journal": str(lasting)}
    try:
        if not path.exists():
            return told | {"journal": f"{lasting}: not there yet"}
        with open_reader(path, older=True) as reader:
            told |= {"table_version": reader.version, "table_version_wanted": schema.newest()}
        copies = copies_of(path)
        if site.journal.backup_dir:
            folder = machine.at(Place(site.journal.backup_dir))
            copies += folder.glob(f"{lasting.stem}-????-??-??.db")
        if copies:
            last = max(copies, key=lambda one: one.stat().st_mtime)
            told["last_backup"] = str(Place("/") / last.relative_to(machine.root))
    except PermissionError:
        told["journal"] = f"{lasting}: only the group {USER} may look; ask again with sudo"
    except (JournalError, OSError) as error:
        told["journal"] = f"{lasting}: {error}"
    return told
