"""A few figures put into a bench file, with its comments and its order left as they are."""

import os
import shutil
import tempfile
import tomllib
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from typing import Any, cast

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Item

from config.load import ConfigError, load_with_text, loads
from config.model import Site, probe_id
from config.near import near


def heat_table(site: Site, bench: str, bay: str) -> tuple[str, ...]:
    """Key path of the heat plan that is in force for a bay and for it alone.

    The bay's own where it has one, else the bench's where the bay is its only one; else a bay's own
    is to be made.
    """
    plan = site.benches[bench]
    if plan.bays[bay].heat is None and len(plan.bays) == 1:
        return ("benches", bench, "heat")
    return ("benches", bench, "bays", bay, "heat")


def _unwritable(file: str, where: str, figures: Mapping[str, float]) -> ConfigError:
    lines = "; ".join(f"{key} = {value:g}" for key, value in figures.items())
    return ConfigError(
        f"{file}: written in a way that the program can't change without risk; put these {where} "
        f"by hand: {lines}"
    )


def with_heat(text: str, file: str, bench: str, bay: str, figures: Mapping[str, float]) -> str:
    """The text of a bench file with `figures` in the heat plan of one bay.

    text: of a sound file; file: its name, for messages.  A bay that gets a plan of its own starts
    from the bench's, which it no longer follows.  Raises ConfigError when the file can't be changed
    in this way without changing anything else, or would not be sound.
    """
    path = heat_table(loads(text, file), bench, bay)
    wanted = tomllib.loads(text)
    plan = _put(wanted, path, bench, figures)
    for write in (_added, _edited):
        try:
            changed = write(text, path, bench, plan)
            if tomllib.loads(changed) == wanted:
                break
        except (TOMLKitError, LookupError, TypeError, ValueError, AttributeError):
            continue  # the file is written in a way that this one can't deal with
    else:
        raise _unwritable(file, f"into [{'.'.join(path)}]", figures)
    loads(changed, file)
    return changed


def probe_path(site: Site, probe: str) -> tuple[str | int, ...]:
    """Key path of a probe by its name in the records, such as "north.left.base1".

    Raises ConfigError, naming those there are.
    """
    names: dict[str, tuple[str | int, ...]] = {}
    for name, bench in site.benches.items():
        for number, one in enumerate(bench.air.probes):
            names[probe_id(name, None, one)] = ("benches", name, "air", "probes", number)
        for bay_name, bay in bench.bays.items():
            for number, one in enumerate(bay.probes):
                path = ("benches", name, "bays", bay_name, "probes", number)
                names[probe_id(name, bay_name, one)] = path
    if probe not in names:
        raise ConfigError(
            f"no probe {probe!r} in the bench file{near(probe, names)}; there are "
            f"{', '.join(names)}"
        )
    return names[probe]


def with_correction(text: str, file: str, probe: str, figures: Mapping[str, float]) -> str:
    """The text of a bench file with `figures` (offset_c, offset_pct, gain) at one probe.

    text, file: as for `with_heat`.  probe: its name in the records.  Raises ConfigError.
    """
    path = probe_path(loads(text, file), probe)
    wanted = tomllib.loads(text)
    _at(wanted, path).update(figures)
    try:
        doc = tomlkit.parse(text)
        table = _at(cast(MutableMapping[str, Any], doc), path)
        for name, value in figures.items():
            if name not in table or table[name] != value:
                table[name] = _inline(value) if isinstance(table, InlineTable) else value
        changed = tomlkit.dumps(doc)
        sound = tomllib.loads(changed) == wanted
    except (TOMLKitError, LookupError, TypeError, ValueError, AttributeError):
        sound = False
    if not sound:
        raise _unwritable(file, f"at the probe {probe}", figures)
    loads(changed, file)
    return changed


def _inline(value: float) -> Item:
    """A figure with a blank after it, as before a closing brace."""
    made = tomlkit.item(value)
    made.trivia.trail = " "
    return made


def _at(doc: Any, path: tuple[str | int, ...]) -> MutableMapping[str, Any]:
    for part in path:
        doc = doc[part]
    return cast(MutableMapping[str, Any], doc)


def _added(text: str, path: tuple[str, ...], _bench: str, plan: Mapping[str, Any]) -> str:
    """A table of its own at the end, where it parts no comment from what it is about."""
    made: Any = dict(plan)
    for name in reversed(path):
        made = {name: made}
    return f"{text.rstrip()}\n\n{tomlkit.dumps(made)}"


def _edited(text: str, path: tuple[str, ...], bench: str, plan: Mapping[str, Any]) -> str:
    """The table changed where it stands."""
    doc = tomlkit.parse(text)
    _put(cast(MutableMapping[str, Any], doc), path, bench, plan)
    return tomlkit.dumps(doc)


def _put(
    doc: MutableMapping[str, Any], path: tuple[str, ...], bench: str, figures: Mapping[str, Any]
) -> Mapping[str, Any]:
    """Put figures under `path` of a parsed file, plain or with its comments; gives the table."""
    held: MutableMapping[str, Any] = doc
    for name in path[:-1]:
        held = held[name]
    if path[-1] not in held:
        shared = doc["benches"][bench].get("heat", {}) if "bays" in path else {}
        held[path[-1]] = dict(shared)
    table: MutableMapping[str, Any] = held[path[-1]]
    for name, value in figures.items():
        if name not in table or table[name] != value:
            table[name] = value
    return table


def change_heat(path: Path, bench: str, bay: str, figures: Mapping[str, float]) -> Path:
    """Write `figures` into the heat plan of a bay, in one step; gives the copy of the old file.

    The copy lies beside it: "bench.toml.old-1", "-2" and so on.  Raises ConfigError, with the file
    as it was, when it is not sound, can't be changed, or can't be written.
    """
    path = path.resolve()
    site, text = load_with_text(path)
    if bench not in site.benches or bay not in site.benches[bench].bays:
        raise ConfigError(f"{path}: there is no bay {bench}.{bay} in this bench file")
    return _written(path, with_heat(text, path.name, bench, bay, figures))


def change_correction(path: Path, probe: str, figures: Mapping[str, float]) -> Path:
    """Write a probe's correction, in one step; gives the copy of the old file, as `change_heat`.

    Raises ConfigError, with the file as it was.
    """
    path = path.resolve()
    _, text = load_with_text(path)
    return _written(path, with_correction(text, path.name, probe, figures))


def _written(path: Path, text: str) -> Path:
    try:
        return _replace(path, text)
    except OSError as error:
        raise ConfigError(f"{path}: can't be written ({error.strerror}); it is as it was") from None


def _replace(path: Path, text: str) -> Path:
    number = 1
    while (kept := path.with_name(f"{path.name}.old-{number}")).exists():
        number += 1
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    fresh = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(text.encode())
            stream.flush()
            os.fsync(stream.fileno())
        shutil.copymode(path, fresh)
        shutil.copy2(path, kept)
        fresh.replace(path)
    except OSError:
        fresh.unlink(missing_ok=True)
        raise
    return kept
