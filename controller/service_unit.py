"""The unit of the service, fitted to a machine and a bench file, and what would make it fail.

It is `config/warmfoot.service` with the group of serial ports, folders it writes to, ports beyond
the usual and the secrets that are there.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import PurePosixPath as Place
from typing import Final

from config.modbus import ModbusLink
from config.model import MqttLink, SerialLink, Site

USER: Final = "warmfoot"
UNIT: Final = Place("/etc/systemd/system/warmfoot.service")
ETC: Final = Place("/etc/warmfoot")
BENCH_FILE: Final = ETC / "bench.toml"
SECRETS: Final = ETC / "secrets"
STATE: Final = Place("/var/lib/warmfoot")
RUNTIME: Final = Place("/run/warmfoot")
PROGRAM: Final = "/opt/warmfoot/bin/warmfoot"
"""Where the unit file as it comes expects the program."""
SERIAL_GROUPS: Final = ("dialout", "uucp")
"""Groups that own serial ports, by the custom of the distributions."""
HIDDEN: Final = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")
"""What the unit hides from the service, by ProtectHome and PrivateTmp."""
UNFIT: Final = frozenset(" %'\"\\")
"""What a unit file reads as something else than a part of a path."""
USUAL_PORTS: Final = ("ttyACM", "ttyUSB", "ttyAMA")


@dataclass(frozen=True, kw_only=True)
class Found:
    """What the machine has. Texts are those of the files that stand there, None for none.

    serial_group: the group of serial ports.  secrets: names of the files in SECRETS.
    journal: one lies where the site's is to be.
    """

    user: bool = False
    state_folder: bool = False
    serial_group: str | None = None
    unit: str | None = None
    bench: str | None = None
    secrets: frozenset[str] = frozenset()
    enabled: bool = False
    active: bool = False
    journal: bool = False


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What is to be installed.

    bench_source: file that bench_text is from.  program: path of the `warmfoot` command.
    journal_at: where the site's journal is to lie.  journal: one to be taken along, its path.
    moved: the service has kept another journal so far, which a running one does not leave without
    a restart.  image: the files of a machine that does not run yet, so that nothing can be started
    and no user be made.  stamp: tells old files apart.
    """

    site: Site
    bench_text: str
    bench_source: str
    program: str
    stamp: str
    journal_at: Place
    journal: Place | None = None
    moved: bool = False
    image: bool = False


# -- the unit ---------------------------------------------------------------------------------

HEAD: Final = """\
# Written by `warmfoot service install`, which writes it anew when it is run again. For changes of
# your own: systemctl edit warmfoot
"""


def unit_text(wanted: Wanted, found: Found) -> str:
    """The unit for this site and machine."""
    template = files("config").joinpath("warmfoot.service").read_text(encoding="utf-8")
    body = template[template.index("[Unit]") :]
    body = _put(body, "ExecStart=", f"ExecStart={wanted.program} run {BENCH_FILE}")
    group = found.serial_group
    body = _put(body, "SupplementaryGroups=", f"SupplementaryGroups={group}" if group else "")
    secrets = [f"LoadCredential={one}:{SECRETS / one}" for one in _secrets(wanted, found)]
    body = _put(body, "#LoadCredential=BROKER_PASSWORD", "\n".join(secrets))
    body = _put(body, "#LoadCredential=GROWER_URL", "")
    more = [f"DeviceAllow=char-{name} rw" for name in _further_ports(wanted.site)]
    more += [f"ReadWritePaths=-{path}" for path in written_to(wanted.site)]
    last = "DeviceAllow=char-ttyAMA rw"
    return HEAD + "\n" + _put(body, last, "\n".join([last, *more]))


def _put(text: str, start: str, line: str) -> str:
    """The text with another line in place of the one that starts so; "" takes it out."""
    made, count = re.subn(
        rf"^{re.escape(start)}.*\n", lambda _: f"{line}\n" if line else "", text, flags=re.M
    )
    if count != 1:
        raise ValueError(f"warmfoot.service has {count} lines that start with {start!r}")
    return made


def secret_names(site: Site) -> list[str]:
    """Secrets that the bench file names."""
    links = [link.password_env for link in site.links.values() if isinstance(link, MqttLink)]
    routes = [route.url_env for route in site.alerts.routes.values()]
    return sorted({name for name in (*links, *routes) if name and re.fullmatch(r"\w+", name, re.A)})


def _secrets(wanted: Wanted, found: Found) -> list[str]:
    """Only those that are there: systemd starts nothing when one it is told of is missing."""
    return [name for name in secret_names(wanted.site) if name in found.secrets]


def _further_ports(site: Site) -> list[str]:
    """Kinds of ports, as /proc/devices names them, that the unit as it comes does not open."""
    ports = [link.port for link in site.links.values() if isinstance(link, SerialLink | ModbusLink)]
    kinds = [found[1] for port in ports if (found := re.fullmatch(r"/dev/(tty[A-Za-z]+)\d+", port))]
    return sorted(set(kinds) - set(USUAL_PORTS))


def written_to(site: Site) -> list[Place]:
    """Folders outside the service's own that it writes to."""
    journal, copies = site.journal.path, site.journal.backup_dir
    found = {Place(journal).parent} if journal else set()
    found |= {Place(copies)} if copies else set()
    return sorted(path for path in found if not path.is_relative_to(STATE))


# -- what can't be done -----------------------------------------------------------------------


def unreachable(wanted: Wanted, program_parts: Sequence[Place]) -> list[str]:
    """Why the service could not work, in words. program_parts: all that the program needs."""
    found = []
    hidden = [path for path in program_parts if _is_hidden(path)]
    if hidden:
        found.append(
            f"the service can't see {hidden[0]}, for {', '.join(HIDDEN[:3])} and {HIDDEN[3]} are "
            "hidden from it; install Warmfoot for the whole machine (python3 -m venv /opt/warmfoot "
            "&& /opt/warmfoot/bin/pip install FOLDER-OF-THIS-PROGRAM), then let "
            "/opt/warmfoot/bin/warmfoot do this"
        )
    if not re.fullmatch(r"/[A-Za-z0-9/._+-]+", wanted.program):
        found.append(
            f"{wanted.program!r} can't stand in a unit; give the whole path of the warmfoot "
            "command, without blanks"
        )
    site = wanted.site
    for key, text in (
        ("journal.path", site.journal.path),
        ("journal.backup_dir", site.journal.backup_dir),
        ("page.cert_file", site.page.cert_file),
        ("page.key_file", site.page.key_file),
        *(
            (f"links.{name}.ca_file", link.ca_file)
            for name, link in site.links.items()
            if isinstance(link, MqttLink)
        ),
    ):
        if text is None:
            continue
        if not Place(text).is_absolute() or not text.isprintable() or set(text) & UNFIT:
            found.append(
                f"{key} = {text!r}: for a service write the whole path, without blanks, quotation "
                "marks, \\ and %"
            )
        elif _is_hidden(Place(text)):
            found.append(f"{key} = {text!r}: the service can't see that; put it elsewhere")
    return found


def _is_hidden(path: Place) -> bool:
    return any(path.is_relative_to(place) for place in HIDDEN)


def missing_secrets(found: Found, wanted: Wanted) -> list[str]:
    """Secrets that the bench file names and that are not there yet."""
    return [name for name in secret_names(wanted.site) if name not in found.secrets]
