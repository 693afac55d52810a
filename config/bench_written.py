"""A bench file with a comment at every line, from what a newcomer answered."""

from collections.abc import Iterator
from dataclasses import dataclass

import tomlkit

from config.bench_answers import as_name

HEAD = """\
# {file}: what this bench has. Change it with any editor, then let it be read:
#   warmfoot check {file}
# A value stands after "="; text stands in quotes. What follows a # is a remark.
#
# Before anything is switched on:
# - Mains electricity beside water kills. A licensed electrician designs, fits and tests what is on
#   the mains: a fuse and a 30 mA residual-current device for each circuit, no joint on the bench.
# - Every mat has an independent thermal cut-out with a hand reset. Software is no safety device.
# - Mist comes from the cold main, without dead legs; flush after idle days and stand clear of the
#   first bursts (Legionella).
"""


@dataclass(frozen=True, kw_only=True)
class Described:
    """What was answered, by the keys of `bench_questions`; what was not asked has its default."""

    name: str
    timezone: str
    latitude: float
    longitude: float
    link: str
    port: str = ""
    broker: str = ""
    broker_port: int = 1883
    broker_tls: bool = False
    broker_user: str | None = None
    node: str = ""
    bench: str
    bays: int
    mat_power: float
    cutout: bool
    cutout_temperature: float | None = None
    base_probes: int
    air: bool
    mister: bool
    flow: float | None = None
    house: bool
    page: bool
    alert: str | None = None


def bench_text(told: Described, file: str) -> str:
    """The text of the bench file. file: its name, for the remarks."""
    parts = (_site(told), _links(told), _bench(told), _bays(told), _mister(told), _rest(told))
    lines = [line for part in parts for line in part]
    return HEAD.format(file=file) + "\n".join(lines) + "\n"


def secrets_of(told: Described) -> list[str]:
    """Names of the secrets that the file asks for."""
    found = ["BROKER_PASSWORD"] if told.broker_user is not None else []
    return [*found, _url_env(told.alert)] if told.alert is not None else found


def _url_env(person: str) -> str:
    return f"{person.upper()}_URL"


def _text(value: str) -> str:
    return tomlkit.item(value).as_string()


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)


def _line(key: str, value: str, remark: str = "") -> str:
    return f"{f'{key} = {value}':<36}# {remark}" if remark else f"{key} = {value}"


def _site(told: Described) -> Iterator[str]:
    yield from ("", "[site]")
    yield _line("name", _text(told.name))
    yield _line("timezone", _text(told.timezone), "clock times, night and dear hours follow it")
    yield _line("latitude_deg", _number(told.latitude), "north positive; for sunrise and sunset")
    yield _line("longitude_deg", _number(told.longitude), "east positive")


def _links(told: Described) -> Iterator[str]:
    if told.link != "mqtt":
        yield from (
            "",
            "# The board on a lead. If there is a name for it in /dev/serial/by-id, use that:",
        )
        yield from ("# it stays the same when leads are plugged elsewhere.", "[links.board]")
        yield _line("kind", '"serial"')
        yield _line("port", _text(told.port))
    if told.link != "serial":
        yield from ("", "# The broker that boards on the network speak to.", "[links.broker]")
        yield _line("kind", '"mqtt"')
        yield _line("host", _text(told.broker))
        yield _line("port", str(told.broker_port))
        yield _line("tls", "true" if told.broker_tls else "false", "true: encrypted")
        if told.broker_user is not None:
            yield _line("user", _text(told.broker_user))
            yield _line(
                "password_env", '"BROKER_PASSWORD"', "the NAME of the secret, never the secret"
            )


def _key(told: Described) -> str:
    return as_name(told.bench, "bench")


def _device(told: Described, channel: str, *, air: bool = False) -> str:
    """Where a probe or relay is reached."""
    if told.link == "mqtt" or (air and told.link == "both"):
        return f'link = "broker", node = {_text(told.node)}, channel = "{channel}"'
    return f'link = "board", channel = "{channel}"'


def _bench(told: Described) -> Iterator[str]:
    key = _key(told)
    yield from ("", f"[benches.{key}]")
    yield _line("title", _text(told.bench))
    yield "# An empty bench rests. To keep it warm and moist before, take the # away:"
    yield '# recipe = "softwood"'
    probes = []
    if told.air:
        probes.append(("air", "air_temperature", "at leaf height, shaded, clear of the mist"))
        probes.append(("rh", "humidity", "beside it"))
    if told.house:
        probes.append(("house", "house_temperature", "outside the cover"))
    yield from ("", f"[benches.{key}.air]")
    if not probes:
        yield "# Without probes here mist goes by the clock, and heat knows less of the night."
        yield "probes = []"
        return
    yield "probes = ["
    for channel, kind, remark in probes:
        yield f"    # {remark}"
        yield f'    {{ {_device(told, channel, air=True)}, kind = "{kind}" }},'
    yield "]"


def _bays(told: Described) -> Iterator[str]:
    for bay in range(1, told.bays + 1):
        place = f"benches.{_key(told)}.bays.bay{bay}"
        yield from ("", f"# ---- bay {bay}: channels are named as in the board's board.txt ----")
        yield from (f"[{place}]", "probes = [")
        for probe in range(1, told.base_probes + 1):
            channel = f"base{(bay - 1) * told.base_probes + probe}"
            yield f'    {{ {_device(told, channel)}, kind = "base_temperature" }},'
        yield from ("]", "", f"[{place}.mat]")
        yield from _address_lines(told, f"mat{bay}")
        yield _line("power_w", _number(told.mat_power), "watts, from the mat's plate")
        yield _line("# area_m2", "1.0", "heated square metres; take the # away and put yours in")
        if told.cutout:
            yield _line("cutout", '"declared"', "only as long as one is fitted and tried")
            yield _line("cutout_c", _number(told.cutout_temperature or 0), "degrees C, as set")
        else:
            yield _line("cutout", '"none"', 'fit one, then write "declared" and cutout_c')


def _address_lines(told: Described, channel: str) -> Iterator[str]:
    yield from _device(told, channel).split(", ")


def _mister(told: Described) -> Iterator[str]:
    if not told.mister:
        return
    yield from ("", f"[benches.{_key(told)}.mister]")
    yield from _address_lines(told, "mist")
    if told.flow is None:
        yield _line("# flow_ml_per_s", "12.0", "a minute into a jug, divided by 60; for records")
    else:
        yield _line("flow_ml_per_s", _number(told.flow), "a minute into a jug, divided by 60")


def _rest(told: Described) -> Iterator[str]:
    yield from ("", "[page]")
    yield _line("serve", "true" if told.page else "false", "a page in a browser on this machine")
    if told.alert is not None:
        yield from ("", f"[alerts.routes.{told.alert}]")
        yield _line("url_env", _text(_url_env(told.alert)), "the NAME of the secret, never itself")
    yield from ("", "# To know what heat costs, take the # away and put your price in:")
    yield from ("# [tariff]", '# currency = "EUR"', "# price_per_kwh = 0.30")
