"""The records that the stations hand to each other. Frozen, plain, with their units."""

from enum import StrEnum
from typing import Final, NamedTuple


class RelayOrder(NamedTuple):
    """An absolute order: the relay may stay on for `lease_s` seconds from now; 0 is off."""

    relay: str
    lease_s: float


class Reason(NamedTuple):
    """Why something was decided. code: key of the table in controller/decide/reasons.py.

    values: what the words need, rounded as they are shown.
    """

    code: str
    values: tuple[float | int | str, ...] = ()


class BayDecision(NamedTuple):
    """What was decided for one bay.

    duty: wanted share of the window, 0..1.  heat_on: mat ordered on now.
    target_c: base target in force, NaN while the bay rests.  mode: "normal" or the degraded mode.
    """

    bench: str
    bay: str
    target_c: float
    duty: float
    heat_on: bool
    reason: Reason
    mode: str = "normal"


class MistDecision(NamedTuple):
    """What was decided for one bench's mister. burst_s: length of a burst begun now, else 0.

    on: mister ordered on now.  dryness_kpa_min: since the last burst.  dose_kpa_min: what earns
    one.
    """

    bench: str
    on: bool
    burst_s: float
    dryness_kpa_min: float
    dose_kpa_min: float
    reason: Reason
    mode: str = "normal"


class AlarmChanged(NamedTuple):
    """One change of state of one alarm.

    alarm: name in the alarm table.  place: "north.left", "north", a probe id, a link, or "site".
    state, was: AlarmStateName values.  by: "" for the program itself, else who.
    """

    alarm: str
    place: str
    was: str
    state: str
    priority: int
    text: str
    by: str = ""
    note: str = ""


class AlarmStateName(StrEnum):
    """Names of ISA-18.2 / IEC 62682."""

    NORM = "NORM"
    UNACK = "UNACK"
    ACKED = "ACKED"
    RTNUN = "RTNUN"
    LATCH_UNACK = "LATCH_UNACK"
    LATCH_ACK = "LATCH_ACK"
    SHLVD = "SHLVD"
    DSUPR = "DSUPR"
    OOSRV = "OOSRV"


class ActKind(StrEnum):
    """What a person may ask of a running bench."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    HOLD_HEAT = "hold_heat"
    HOLD_MIST = "hold_mist"
    RELEASE = "release"
    BURST = "burst"


class Act(NamedTuple):
    """One act of a person.

    place: as in AlarmChanged, or a bay "north.left" or bench "north" for holds and bursts.
    alarm: for alarm acts.  span_s: length of a hold or shelving.  value: "off" or "on" for a hold.
    number: its row in the journal, 0 when it did not come through it.
    """

    kind: str
    place: str
    by: str
    alarm: str = ""
    span_s: float = 0.0
    value: str = "off"
    note: str = ""
    number: int = 0


class ActDone(NamedTuple):
    """How an act ended: done, or refused with the reason in plain words."""

    act: Act
    done: bool
    text: str


class Decision(NamedTuple):
    """All that one step decided. orders: one for every relay of the site, every time.

    faults: what went wrong in the program beside heat and mist, "alarms: TypeName: text".
    """

    orders: tuple[RelayOrder, ...]
    bays: tuple[BayDecision, ...]
    mist: tuple[MistDecision, ...]
    alarms: tuple[AlarmChanged, ...]
    acts: tuple[ActDone, ...]
    faults: tuple[str, ...] = ()


NOTEBOOK: Final = "Notebook"
"""Stands for the bench of a batch brought in from a notebook; no bench can have that name."""
NOT_NOTED: Final = "unknown"
"""Stands for its bay where the notebook names none."""


class Batch(NamedTuple):
    """One lot of cuttings of one plant, stuck together. Times UTC seconds; evidence as recorded.

    number: never reused.  recipe_json, recipe_hash: the recipe as frozen at sticking.
    phase: key in config.recipes.PHASES, as last entered.  details: everything else recorded at
    sticking (hormone, mix, stock, answers to `config.checklist` ...); `entries.evidence` adds what
    was entered later.  cuttings: stuck, less those split off, with those merged in.  merged_into:
    number of the batch in which it goes on, 0 when it does not.
    """

    number: int
    plant: str
    kind: str
    bench: str
    bay: str
    trays: str
    cuttings: int
    stuck_s: float
    recipe_json: str
    recipe_hash: str
    phase: str
    phase_since_s: float
    closed_s: float | None
    details: dict[str, str]
    merged_into: int = 0

    @property
    def from_notebook(self) -> bool:
        """Brought in from the grower's notes of past seasons: nothing of its climate is known."""
        return self.bench == NOTEBOOK


class EntryKind(StrEnum):
    """What can be entered for a batch."""

    LOOKED = "looked"
    SPRAYED = "sprayed"
    CHECKED = "checked"
    LOST = "lost"
    TESTED = "tested"
    WEANED = "weaned"
    MOVED = "moved"
    MERGED = "merged"
    POTTED = "potted"
    SALEABLE = "saleable"
    CORRECTED = "corrected"
    CLOSED = "closed"


class Entry(NamedTuple):
    """One entry in a batch's life; append-only. corrects: number of the entry it replaces, or 0."""

    number: int
    batch: int
    at_s: float
    kind: str
    by: str
    values: dict[str, str]
    note: str = ""
    corrects: int = 0


class MinuteRow(NamedTuple):
    """One minute of one probe, in its unit. t_s: UTC second at which the minute began.

    mean, low, high: of the usable samples, NaN when n is 0.  n: usable samples.
    flag: worst QARTOD flag among the samples of the minute.
    """

    t_s: int
    probe: str
    mean: float
    low: float
    high: float
    n: int
    flag: int


class RelayRow(NamedTuple):
    """One minute of one relay. on_s: seconds ordered on.  starts: times switched on."""

    t_s: int
    relay: str
    on_s: float
    starts: int


class ReasonRow(NamedTuple):
    """A decision that changed, with its reason in words. place: "north.left" or "north.mister"."""

    at_s: float
    place: str
    code: str
    text: str
    mode: str
    value: float


class AlarmRow(NamedTuple):
    at_s: float
    change: AlarmChanged


class ActRow(NamedTuple):
    at_s: float
    done: ActDone


class EventRow(NamedTuple):
    """Anything worth knowing later that is no alarm: a clock step, a gap, a new bench file."""

    at_s: float
    kind: str
    place: str
    text: str


class StateRow(NamedTuple):
    """The controller's own state, kept to start again from. json: as written by decide/state.py."""

    at_s: float
    json: str


Row = MinuteRow | RelayRow | ReasonRow | AlarmRow | ActRow | EventRow | StateRow


class Warmth(NamedTuple):
    """Warmth of a batch, in exact integers so that live and recomputed sums are equal.

    sum2_mk_s: twice the trapezoid sum, milli-kelvin seconds.  covered_s: seconds measured.
    span_s: seconds from sticking to the last minute.  bands_s: seconds in harmful cold, slow, good,
    too warm, harmful hot.  worst_low_mc, worst_high_mc: extremes, milli degC.
    """

    sum2_mk_s: int = 0
    covered_s: int = 0
    span_s: int = 0
    bands_s: tuple[int, int, int, int, int] = (0, 0, 0, 0, 0)
    worst_low_mc: int | None = None
    worst_high_mc: int | None = None

    @property
    def degree_hours(self) -> float:
        return self.sum2_mk_s / 2 / 1000 / 3600
