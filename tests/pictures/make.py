"""The README's pictures of the page, made from the demo nursery.

    .venv/bin/python tests/pictures/make.py

Wants chromium. The bench is played to fixed times, so the same program makes the same pictures.
"""

import shutil
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

from playwright.sync_api import Browser, sync_playwright

from config.load import loads
from config.model import PagePlan
from simulator.live import Live
from simulator.run import Rehearsal
from simulator.scenario import load_scenario

HERE = Path(__file__).parent
SITE = "alder_lane.toml"


class Shot(NamedTuple):
    """One picture: of a path, in px of the page, `tall` from its top."""

    name: str
    path: str
    wide: int
    tall: int
    dark: bool


SHOTS = {
    12.1: (
        Shot("bench", "/bench/north", 1200, 900, False),
        Shot("phone_calm", "/", 360, 700, True),
    ),
    12.3: (Shot("phone_alarm", "/", 360, 700, False),),
}
"""Days played -> pictures taken then; by 12.3 the mister has been blocked for hours."""


def take(browser: Browser, port: int, shot: Shot) -> Path:
    context = browser.new_context(
        viewport={"width": shot.wide, "height": shot.tall},
        color_scheme="dark" if shot.dark else "light",
        device_scale_factor=2 if shot.wide < 500 else 1,
    )
    page = context.new_page()
    page.goto(f"http://127.0.0.1:{port}{shot.path}")
    page.wait_for_timeout(500)
    path = HERE / f"{shot.name}.png"
    page.screenshot(path=path)
    context.close()
    return path


def main() -> None:
    text = files("config").joinpath("examples", SITE).read_text(encoding="utf-8")
    program = shutil.which("chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        rehearsal = Rehearsal(
            loads(text, SITE), load_scenario("alder_lane"), tick_s=15, site_text=text,
            journal_path=Path(folder) / "b.db",
        )  # fmt: skip
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        with Live(rehearsal, PagePlan(), any_port=True) as live:
            played = 0.0
            for days, shots in SHOTS.items():
                live.hasten(days - played)
                played = days
                for shot in shots:
                    live.put()
                    path = take(browser, live.server.port, shot)
                    print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")
        browser.close()


if __name__ == "__main__":
    main()
