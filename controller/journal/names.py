"""Names of probes and relays, and their numbers in one journal."""

import sqlite3
from collections.abc import Iterator, Sequence

from config.model import Probe, Site, mat_id, mister_id, probe_id
from sensors.kinds import KINDS


def register(conn: sqlite3.Connection, site: Site | None) -> tuple[dict[str, int], dict[str, int]]:
    """Add the names of the site to the file; gives the numbers of all probes and relays in it."""
    kinds = list(_probe_kinds(site)) if site is not None else []
    for name, kind in kinds:
        conn.execute(
            "INSERT INTO probe (name, kind, unit) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (name, kind, KINDS[kind].unit),
        )
    for name in _relay_names(site) if site is not None else ():
        conn.execute("INSERT INTO relay (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
    probes = dict(conn.execute("SELECT name, id FROM probe ORDER BY id").fetchall())
    relays = dict(conn.execute("SELECT name, id FROM relay").fetchall())
    for name, kind in kinds:
        found = conn.execute("SELECT id FROM probe WHERE name = ? AND kind = ?", (name, kind))
        probes[name] = found.fetchone()[0]
    return probes, relays


def _probe_kinds(site: Site) -> Iterator[tuple[str, str]]:
    def named(bench: str, bay: str | None, probes: Sequence[Probe]) -> Iterator[tuple[str, str]]:
        return ((probe_id(bench, bay, probe), probe.kind) for probe in probes)

    for name, bench in site.benches.items():
        yield from named(name, None, bench.air.probes)
        for bay_name, bay in bench.bays.items():
            yield from named(name, bay_name, bay.probes)


def _relay_names(site: Site) -> Iterator[str]:
    for name, bench in site.benches.items():
        yield from (mat_id(name, bay) for bay in bench.bays)
        if bench.mister is not None:
            yield mister_id(name)
