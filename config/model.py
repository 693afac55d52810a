"""What a site has and wants: the bench file as checked, frozen records.

Units are in the key names. Every record refuses unknown keys. Meaning across records (a probe's
link exists, no two relays on one channel, limits the right way round) is checked by
`config.meaning`, for every file that is read with `config.load`.
"""

import re
from collections.abc import Iterator
from datetime import time
from ipaddress import ip_address
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    BeforeValidator,
    Field,
    StrictBool,
    StrictInt,
    StrictStr,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from config import bounds
from config.devices import Available, Sends, SwitchState
from config.modbus import ModbusLink, ModbusPoint, ModbusSwitch
from config.record import Record, number

Name = Annotated[StrictStr, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
Channel = Annotated[StrictStr, Field(pattern=r"^[A-Za-z0-9_.-]{1,32}$")]
Title = Annotated[StrictStr, Field(min_length=1, max_length=80)]


Seconds = Annotated[float, number(0, 7 * 86400)]
Target = Annotated[float, number(bounds.TARGET_LOWEST_C, bounds.TARGET_HIGHEST_C)]
Cutout = Annotated[float, number(bounds.TARGET_LOWEST_C, bounds.CUTOUT_HIGHEST_C)]
Kelvin = Annotated[float, number(-30, 30)]
Positive = Annotated[float, Field(strict=True, gt=0, allow_inf_nan=False)]


def _local_time(value: object) -> object:
    """A TOML time of day, or the text "22:30". A bare number is refused, not taken as seconds."""
    if isinstance(value, str) and re.fullmatch(
        r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?", value, re.ASCII
    ):
        return time.fromisoformat(value)
    if isinstance(value, time) and value.tzinfo is None:
        return value
    raise PydanticCustomError("local_time", "this is not a time of day")


LocalTime = Annotated[time, BeforeValidator(_local_time)]

ProbeKind = Literal[
    "base_temperature", "air_temperature", "humidity", "house_temperature", "light", "water_meter",
]  # fmt: skip
AIR_KINDS: tuple[ProbeKind, ...] = (
    "air_temperature", "humidity", "house_temperature", "light", "water_meter",
)  # fmt: skip


class SiteInfo(Record):
    name: Title
    timezone: StrictStr
    latitude_deg: Annotated[float, number(-90, 90)]
    longitude_deg: Annotated[float, number(-180, 180)]
    elevation_m: Annotated[float, number(-430, 5000)] = 0.0
    tick_s: Annotated[float, number(0.5, 30)] = 2.0
    """Seconds between decisions."""

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        if zone not in available_timezones():
            raise PydanticCustomError("timezone", "this is not a known time zone")
        return zone

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)


class SerialLink(Record):
    kind: Literal["serial"]
    port: StrictStr
    baud: Annotated[StrictInt, Field(ge=1200, le=1_000_000)] = 115200


class MqttLink(Record):
    kind: Literal["mqtt"]
    host: StrictStr = "localhost"
    port: Annotated[StrictInt, Field(ge=1, le=65535)] = 1883
    user: StrictStr | None = None
    password_env: StrictStr | None = None
    """Name of the environment variable, or of the systemd credential, that holds the password."""
    tls: StrictBool = False
    ca_file: StrictStr | None = None
    keepalive_s: Annotated[StrictInt, Field(ge=5, le=300)] = 20
    client_id: StrictStr | None = None


class MemoryLinkPlan(Record):
    """A link inside one process: rehearsals, tests, and other people's bench models."""

    kind: Literal["memory"]


LinkPlan = Annotated[
    SerialLink | MqttLink | ModbusLink | MemoryLinkPlan, Field(discriminator="kind")
]


def _addresses(device: "Probe | Relay") -> int:
    return sum(one is not None for one in (device.channel, device.topic, device.modbus))


class Probe(Record):
    """One measuring point: a board's `channel`, an MQTT `topic` with its `pointer`, or `modbus`."""

    link: Name
    kind: ProbeKind
    channel: Channel | None = None
    node: Name | None = None
    topic: StrictStr | None = None
    pointer: StrictStr = ""
    """RFC 6901 pointer to the value in a JSON payload; "" when the payload is the bare number."""
    sends: Sends | None = None
    modbus: ModbusPoint | None = None
    name: Name | None = None
    """Short name in records; by default the channel."""
    offset_c: Kelvin = 0.0
    offset_pct: Annotated[float, number(-30, 30)] = 0.0
    gain: Annotated[float, number(0.5, 2)] = 1.0
    every_s: Annotated[float, number(0.5, 3600)] = 10.0
    """How often it is expected to report; it is late after three of these, at least 120 s."""
    height_mm: Annotated[float, number(0, 500)] | None = None
    """Height above the mat, for base probes."""

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if _addresses(self) != 1:
            raise PydanticCustomError(
                "probe_address",
                "a probe has one address; write either channel (on a board) or topic (any MQTT "
                "device) or modbus (any Modbus device)",
            )
        return self


class Relay(Record):
    """One switched output: a board's `channel`, a plain MQTT on/off `topic`, or `modbus`."""

    link: Name
    channel: Channel | None = None
    node: Name | None = None
    topic: StrictStr | None = None
    on_payload: StrictStr = "ON"
    off_payload: StrictStr = "OFF"
    state: SwitchState | None = None
    available: Available | None = None
    modbus: ModbusSwitch | None = None
    lease: Literal["board", "auto_off", "none"] = "board"
    """Who switches it off when orders stop: the board; the device by itself; nobody."""

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if _addresses(self) != 1:
            raise PydanticCustomError(
                "relay_address",
                "a relay has one address; write either channel (on a board) or topic (a plain "
                "MQTT switch) or modbus (a Modbus relay)",
            )
        if self.topic is not None and self.lease == "board":
            raise PydanticCustomError(
                "relay_lease",
                'a plain MQTT switch takes no lease from Warmfoot; write lease = "auto_off" if the '
                'switch itself goes off after a set time, lease = "none" if it does not',
            )
        if self.modbus is not None and self.lease == "board":
            raise PydanticCustomError(
                "relay_lease",
                'a Modbus relay takes no lease from Warmfoot; write lease = "auto_off" if it is '
                "set to go off by itself, after a time or when it is no longer spoken to, "
                'lease = "none" if it does not',
            )
        return self


class Mat(Relay):
    power_w: Annotated[float, Field(strict=True, gt=0, le=20_000, allow_inf_nan=False)]
    area_m2: Annotated[float, Field(strict=True, gt=0, le=200, allow_inf_nan=False)] | None = None
    cutout: Literal["declared", "none"] = "none"
    """Whether an independent thermal cut-out, out of software's reach, is fitted."""
    cutout_c: Cutout | None = None


class Mister(Relay):
    flow_ml_per_s: Positive | None = None
    area_m2: Positive | None = None


class DayPart(Record):
    """A stretch of the local day with a base target of its own."""

    start: LocalTime
    end: LocalTime
    target_c: Target


class HeatPlan(Record):
    """How a bay is heated. What is left out comes from the recipe or the program's defaults."""

    target_c: Target | None = None
    frost_c: Annotated[float, number(1, 12)] | None = None
    """Kept in an empty bay that nothing else is asked of."""
    good_low_c: Target | None = None
    good_high_c: Annotated[float, number(bounds.TARGET_LOWEST_C, 31)] | None = None
    hot_above_c: Annotated[float, number(bounds.TARGET_LOWEST_C, bounds.BASE_TRIP_C)] | None = None
    difference_c: Annotated[float, number(0, 20)] | None = None
    """Wanted base-minus-top difference."""
    ride: Literal["low", "target", "high"] = "target"
    """Where in the good band to hold: low saves heat, high saves days."""
    parts: tuple[DayPart, ...] = ()
    warm_early: StrictBool = True
    """Warm the base within its good band before dearer hours and lean on warmth gained in them,
    where it saves money."""
    window_s: Annotated[float, number(60, 3600)] = 2200.0
    """Length of the time-proportioning window; the default is 40 windows a day."""
    shortest_s: Annotated[float, number(5, 600)] = 60.0
    """Shortest time on, and off, of the mat's relay."""
    gain_duty_per_k: Positive | None = None
    integral_s: Positive | None = None
    derivative_s: Annotated[float, number(0, 36000)] | None = None
    """PID settings; found from the mat's power per area when left out."""


class MistTime(Record):
    """A burst by the clock: at given times, or every so many minutes within a part of the day.

    Times are "HH:MM" local, or "sunrise", "sunset", "sunrise+30", "sunset-15" (minutes).
    """

    at: tuple[StrictStr, ...] = ()
    every_min: Annotated[float, number(1, 24 * 60)] | None = None
    start: StrictStr = "sunrise"
    end: StrictStr = "sunset"
    burst_s: Annotated[float, number(0.5, bounds.BURST_LONGEST_S)] | None = None


class MistPlan(Record):
    """How leaves are kept moist. What is left out comes from the recipe's phase."""

    dose_kpa_min: Annotated[float, number(0.5, 600)] | None = None
    """Dryness (leaf-to-air VPD summed over time) that earns one burst."""
    burst_s: Annotated[float, number(0.5, bounds.BURST_LONGEST_S)] | None = None
    shortest_gap_s: Annotated[float, number(30, 7200)] = 240.0
    hour_budget_s: Annotated[float, number(1, 3600 * bounds.MIST_HOUR_SHARE)] = 300.0
    day_budget_s: Annotated[float, number(1, 86400 * bounds.MIST_HOUR_SHARE)] = 1800.0
    survival_every_min: Annotated[float, number(2, 240)] = 20.0
    survival_burst_s: Annotated[float, number(0.5, bounds.BURST_LONGEST_S)] = 5.0
    schedule: tuple[MistTime, ...] = ()
    cool_top: StrictBool = True
    """Mist against a hot top where the wet bulb says that it helps."""


class AlarmChange(Record):
    """A change to one alarm; only these figures may be changed, within the program's bounds."""

    limit: Annotated[float, Field(strict=True, allow_inf_nan=False)] | None = None
    on_delay_s: Seconds | None = None
    off_delay_s: Seconds | None = None


class Air(Record):
    probes: tuple[Probe, ...] = ()


class Bay(Record):
    """One mat, its base probes and its trays."""

    probes: tuple[Probe, ...] = Field(min_length=1)
    mat: Mat
    heat: HeatPlan | None = None
    """Where given, replaces the bench's heat plan for this bay."""


class Bench(Record):
    title: Title | None = None
    recipe: Name | None = None
    """Kind of cutting to keep the bench ready for, warm and moist, while no batch is stuck."""
    air: Air = Air()
    bays: dict[Name, Bay] = Field(min_length=1)
    mister: Mister | None = None
    heat: HeatPlan = HeatPlan()
    mist: MistPlan = MistPlan()
    alarms: dict[Name, AlarmChange] = Field(default_factory=dict)
    supply_w: Positive | None = None
    """Most power the bench's mats may draw together; None means all of them."""

    def heat_for(self, bay: str) -> HeatPlan:
        return self.bays[bay].heat or self.heat


class TariffWindow(Record):
    start: LocalTime
    end: LocalTime
    price_per_kwh: Annotated[float, number(0, 1000)]


class Tariff(Record):
    currency: Annotated[StrictStr, Field(pattern=r"^[A-Z]{3}$")] = "EUR"
    price_per_kwh: Annotated[float, number(0, 1000)]
    windows: tuple[TariffWindow, ...] = ()

    def price_at(self, local_minute: int) -> float:
        """Per kWh at a minute after local midnight, 0..1439: of the first window it lies in."""
        for window in self.windows:
            first = window.start.hour * 60 + window.start.minute
            last = window.end.hour * 60 + window.end.minute
            after, before = local_minute >= first, local_minute < last
            if (after and before) if first < last else (after or before):
                return window.price_per_kwh
        return self.price_per_kwh


class Route(Record):
    """One way to reach a person. The address is a secret and lives in the environment."""

    url_env: Annotated[StrictStr, Field(pattern=r"^[A-Z][A-Z0-9_]*$")]
    """Name of the environment variable or systemd credential with the apprise address."""
    least_priority: Literal[1, 2, 3] = 2
    """Send alarms of this priority and above; 1 is the highest."""
    after_min: Annotated[float, number(0, 24 * 60)] = 0.0
    """Wait this long for an acknowledgement first; for the second person to be told."""


class Alerts(Record):
    routes: dict[Name, Route] = Field(default_factory=dict)
    quiet_from: LocalTime | None = None
    quiet_until: LocalTime | None = None
    all_well_at: LocalTime | None = time(7, 30)


class JournalPlan(Record):
    path: StrictStr | None = None
    """Where the journal lies; by default in the user's (or the service's) state directory."""
    keep_minutes_days: Annotated[StrictInt, Field(ge=7, le=36500)] = 730
    """Age at which minute rows are thinned to hours."""
    backup_dir: StrictStr | None = None
    """Folder, on another disk if there is one, that gets a checked copy every night."""
    backups_kept: Annotated[StrictInt, Field(ge=1, le=366)] = 7


class CalibrationPlan(Record):
    every_days: Annotated[StrictInt, Field(ge=0, le=3650)] = 365
    """Days after which a probe is to be held against a known value again; 0 for no reminder.
    Yearly is common practice, no source."""


class LabelPlan(Record):
    """Tray labels."""

    address: Annotated[StrictStr, Field(pattern=r"^https?://[^\s/?#][^\s?#]{0,180}$")] | None = None
    """Where a phone beside the bench opens the page, such as "http://bench.local:8046"; the code on
    a label is this and the batch."""

    @field_validator("address")
    @classmethod
    def _without_end(cls, address: str | None) -> str | None:
        return address and address.rstrip("/")


class PagePlan(Record):
    """The page in a browser. On any address but the machine's own it asks for a token."""

    serve: StrictBool = True
    address: StrictStr = "127.0.0.1"
    """Address of this machine to serve on; by default this machine alone can see the page."""
    port: Annotated[StrictInt, Field(ge=1024, le=65535)] = 8046
    names: tuple[Annotated[StrictStr, Field(pattern=r"^[A-Za-z0-9.-]{1,253}$")], ...] = ()
    """Names under which browsers reach it, such as "bench.local"; any other is refused."""
    cert_file: StrictStr | None = None
    key_file: StrictStr | None = None
    """Certificate and its key, PEM, for https."""

    @field_validator("address")
    @classmethod
    def _an_address(cls, address: str) -> str:
        try:
            ip_address(address)
        except ValueError:
            raise PydanticCustomError("ip_address", "this is not an IP address") from None
        return address

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return ip_address(self.address).is_loopback


class Site(Record):
    """One bench file."""

    site: SiteInfo
    links: dict[Name, LinkPlan] = Field(min_length=1)
    benches: dict[Name, Bench] = Field(min_length=1)
    tariff: Tariff | None = None
    alerts: Alerts = Alerts()
    journal: JournalPlan = JournalPlan()
    calibration: CalibrationPlan = CalibrationPlan()
    labels: LabelPlan = LabelPlan()
    page: PagePlan = PagePlan()
    publish: Name | None = None
    """Name of the MQTT link on which Warmfoot publishes its own state and alarms."""


def probe_id(bench: str, bay: str | None, probe: Probe) -> str:
    """Name of a probe in every record: "bench.bay.channel", or "bench.channel" for the air."""
    short = probe.name or probe.channel or probe.kind
    return f"{bench}.{bay}.{short}" if bay else f"{bench}.{short}"


def probes_of(site: Site) -> Iterator[tuple[str, Probe]]:
    """Every probe of the bench file by its id, bench after bench: its bays, then its air."""
    for name, bench in site.benches.items():
        for bay_name, bay in bench.bays.items():
            for probe in bay.probes:
                yield probe_id(name, bay_name, probe), probe
        for probe in bench.air.probes:
            yield probe_id(name, None, probe), probe


def mat_id(bench: str, bay: str) -> str:
    return f"{bench}.{bay}.mat"


def mister_id(bench: str) -> str:
    return f"{bench}.mister"
