"""A real browser, and benches that stand still to be looked at in it."""

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.batch_acts import BatchActs
from controller.decide.state import AlarmState

PATHS = {
    "overview": "/",
    "bench": "/bench/north",
    "batches": "/batches",
    "batch": "/batch/1",
    "compare": "/compare?by=hormone",
    "alarms": "/alarms",
    "records": "/records",
    "settings": "/settings",
    "stick": "/stick?plant=Hebe&kind=semi_ripe",
    "test": "/batch/1/tested",
    "close": "/batch/1/closed",
}
"""Every sort of page: what is looked at, and the forms that are typed into."""
MEASURE = Path(__file__).with_name("measure.js").read_text(encoding="utf-8")
PLANT = "Lavandula angustifolia"
FIRST_S = 1_772_436_600.0
"""2026-03-02 07:30 UTC, soon after the rehearsal has begun."""


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A browser; where there is none the tests say so, and fail in CI."""
    sync_api = pytest.importorskip("playwright.sync_api")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        why = "no chromium here; install it: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


def alarm(name: str, priority: int, state: str, text: str, **more: Any) -> dict[str, AlarmState]:
    """An alarm for `still`."""
    held = AlarmState(
        state=state,
        under="UNACK",
        priority=priority,
        raised_utc_s=1_772_500_000.0,
        text=text,
        **more,
    )
    return {name: held}


EVERY = {
    **alarm("mat_dead", 1, "ACKED", "Mat does not heat: 0.0 K in 2 h", acked_by="grower"),
    **alarm("base_cold", 2, "UNACK", "Base cold: 14.1 °C, limit 15.0 °C"),
    **alarm("mat_weak", 2, "ACKED", "Mat weak: half of its heat", acked_by="grower"),
    **alarm("base_sun_hot", 3, "UNACK", "Base warm: 26.0 °C, limit 25.0 °C"),
    **alarm("mat_at_limit", 3, "ACKED", "Mat at its limit for 3 h", acked_by="grower"),
    **alarm("base_overheat", 1, "LATCH_ACK", "Base overheated: off until reset", acked_by="grower"),
}
"""With `very_cold`: alarms of each priority, new and seen, and one that is latched."""


def with_two_treatments(kept: Any) -> None:
    """Four batches of one plant, half with hormone, tested and closed, in a bench's journal."""
    site = kept.live.board.latest.site
    acts = BatchActs(kept.journal, site, "grower", clock=lambda: kept.live.board.latest.now.utc_s)
    for turn, (hormone, rooted) in enumerate(
        (("talc", 46), ("talc", 44), ("none", 24), ("none", 21))
    ):
        at_s = FIRST_S + 600.0 * turn
        made, _ = acts.stick("Hebe albicans", "semi_ripe", "north", "left", 50, at_s=at_s,
                             details={"hormone": hormone})  # fmt: skip
        acts.test(made.number, 10, 3, 4, at_s=at_s + 36_000.0)
        acts.test(made.number, 10, rooted // 5, 1, at_s=at_s + 54_000.0)
        acts.close(made.number, rooted=rooted, lost={"rotted": 2}, at_s=at_s + 72_000.0)


def next_moment(kept: Any) -> None:
    board = kept.live.board
    board.latest = board.latest._replace(number=board.latest.number + 1)


def worked_out(kept: Any) -> None:
    """Wait for all that is added up or compared in the background."""
    until_s = time.monotonic() + 30.0
    while any("Being " in kept.browser.ask(path).text for path in PATHS.values()):
        assert time.monotonic() < until_s, "never worked out"
        time.sleep(0.5)  # within the rate that one address may ask
        next_moment(kept)
    next_moment(kept)


@pytest.fixture(scope="module")
def bench(make_page: Any, still: Any) -> Callable[..., Any]:
    """bench(alarms=): a bench with batches that can be compared, standing still."""

    def make(alarms: dict[str, AlarmState]) -> Any:
        kept = make_page(plant=PLANT, kind="semi_ripe", days=1.1, plays=False)
        with_two_treatments(kept)
        still(kept.live, **alarms)
        worked_out(kept)
        return kept

    return make


@pytest.fixture(scope="module")
def calm(bench: Any) -> Any:
    """All is well."""
    return bench({})


@pytest.fixture(scope="module")
def urgent(bench: Any, very_cold: Any) -> Any:
    """One alarm of priority 1."""
    return bench(very_cold)


@pytest.fixture(scope="module")
def troubled(bench: Any, very_cold: Any) -> Any:
    """An alarm of every priority and state."""
    return bench(very_cold | EVERY)


def _open(
    chromium: Any,
    kept: Any,
    path: str,
    *,
    width: int = 360,
    height: int = 640,
    dark: bool = False,
    script: bool = True,
    clock: bool = False,
    calm_motion: bool = False,
) -> Any:
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if dark else "light",
        java_script_enabled=script,
        reduced_motion="reduce" if calm_motion else "no-preference",
    )
    page = context.new_page()
    if clock:
        page.clock.install()
    page.faults, page.asked = [], []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("console", lambda said: page.faults.append(said.text))
    page.on("request", lambda request: page.asked.append(request.url))
    page.measure = lambda name: page.evaluate(f"({MEASURE}).{name}()")
    page.goto(f"http://127.0.0.1:{kept.browser.port}{path}")
    return page


@pytest.fixture
def show(chromium: Any) -> Iterator[Callable[..., Any]]:
    """show(kept, path, width=, dark=, script=, clock=) -> the page as it stands in a browser.

    clock: its time is turned by hand.  page.measure(name): a function of measure.js.
    """
    made = []

    def open_page(kept: Any, path: str, **how: Any) -> Any:
        made.append(_open(chromium, kept, path, **how))
        return made[-1]

    yield open_page
    for page in made:
        page.context.close()


EACH = [(name, dark) for dark in (False, True) for name in PATHS]


@pytest.fixture(
    scope="module", params=EACH, ids=[f"{name}-{'dark' if d else 'light'}" for name, d in EACH]
)
def calm_page(request: Any, chromium: Any, calm: Any) -> Iterator[Any]:
    """Every page in both schemes while all is well; opened once, to be measured and not changed."""
    yield from _kept_open(request.param, chromium, calm)


@pytest.fixture(
    scope="module", params=EACH, ids=[f"{name}-{'dark' if d else 'light'}" for name, d in EACH]
)
def urgent_page(request: Any, chromium: Any, urgent: Any) -> Iterator[Any]:
    """The same with an alarm of priority 1."""
    yield from _kept_open(request.param, chromium, urgent)


def _kept_open(which: tuple[str, bool], chromium: Any, kept: Any) -> Iterator[Any]:
    name, dark = which
    page = _open(chromium, kept, PATHS[name], dark=dark)
    page.name = name
    yield page
    page.context.close()
