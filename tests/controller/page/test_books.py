"""Comparing, records, settings and files to take away: right, bounded, and nothing secret."""

import csv
import html
import io
import re
from datetime import date
from itertools import pairwise
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import pytest

from config.load import loads
from controller.journal.care import (
    Calibrated,
    Held,
    Step,
    WireCheck,
    keep_calibration,
    keep_check,
)
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.label_sheet import Grid
from controller.months import _spans, months
from controller.notebook import read_notebook
from controller.page import papers
from controller.page.compare import rooting, tray
from controller.page.label_form import LabelSheet, sheet_asked, trays_of
from controller.page.papers import Bounded, PaperError
from controller.past_results import import_results
from controller.review.groups import Group, Point

NOTEBOOK = b"""plant,kind,stuck_on,closed_on,cuttings,rooted,hormone,bay
Hebe albicans,semi_ripe,2024-09-01,2024-10-20,100,90,talc,shed
Hebe albicans,semi_ripe,2024-09-02,2024-10-20,100,85,talc,shed
Hebe albicans,semi_ripe,2024-09-03,2024-10-20,100,50,none,shed
Hebe albicans,semi_ripe,2024-09-04,2024-10-20,100,45,none,shed
Salvia,herbaceous,2024-05-01,2024-06-01,10,9,<b>talc</b>,shed
Salvia,herbaceous,2024-05-02,2024-06-01,10,3,none,shed
"""
GROUP = Group("talc", (1, 2), 0, 200, 175, 0.81, 0.92, 1.0, (14.0, 21.0), 2, (), 20.1, 240.0, 1.0,
              0.0)  # fmt: skip


@pytest.fixture(scope="module")
def kept(make_page):
    made = make_page(days=2.2, plays=False)
    site = made.live.board.latest.site
    import_results(made.journal, site, NOTEBOOK, "t", date(2026, 3, 5))
    return made


def text_of(text):
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


@pytest.fixture
def worked_out(kept, eventually):
    """worked_out(path) -> the page once what takes long is there."""

    def ask(path):
        def there():
            kept.live.board.latest = kept.live.board.latest._replace(
                number=kept.live.board.latest.number + 1
            )
            return "Being " not in kept.browser.ask(path).text

        eventually(there, 20)
        return kept.browser.ask(path).text

    return ask


# -- compare --------------------------------------------------------------------------------------


def test_like_stands_beside_like_with_its_interval_and_n(worked_out):
    page = worked_out("/compare?by=hormone")
    told = text_of(page)
    assert "Hebe albicans, semi ripe" in told
    assert "Salvia, herbaceous" in told
    found = re.search(
        r"(\d+)\s% rooted, (\d+)\s% to (\d+)\s%: 175 of 200 cuttings, 2 batches", told
    )
    assert found
    strike, low, high = map(int, found.groups())
    assert strike == 88
    # Wilson's interval of 175 of 200, Newcombe 1998; wider where batches differ.
    assert low <= 82
    assert high >= 91
    assert "too few batches to tell" in told, "ten cuttings tell nothing"
    assert "<b>talc</b>" not in page, "what was written is text"


def test_one_plant_alone_and_nothing_to_compare(worked_out):
    alone = text_of(worked_out("/compare?by=hormone&plant=salvia"))
    assert "Salvia, herbaceous" in alone
    assert "Hebe albicans, semi ripe" not in alone
    nothing = text_of(worked_out("/compare?by=bay&plant=Nothofagus"))
    assert "Nothing to compare" in nothing
    assert "0 were looked at" in nothing


def test_tray_is_full_up_to_the_least_and_hatched_up_to_the_most():
    made = tray(GROUP)
    wide = {
        look: sum(float(one.attrib["width"][:-1]) for one in made if one.get("class") == look)
        for look in ("sure", "may", "cell")
    }
    assert wide == pytest.approx({"sure": 81.0, "may": 11.0, "cell": 100.0}, abs=0.1)
    stem = next(one for one in made if one.get("class") == "stem")
    assert stem.attrib["x1"] == "87.50%"
    assert "95 % from 81\u00a0% to 92\u00a0%, n 200" in made[0].text
    empty = tray(GROUP._replace(cuttings=0, rooted=0, low=None, high=None))
    assert {one.get("class") for one in empty} == {None, "cell"}
    assert empty[0].text == "no result yet"


def test_curve_says_share_day_and_n_at_risk():
    made, _ = rooting((Point(7.0, 0.25, 40), Point(14.0, 0.75, 20)), 14.0)
    shown = [one.text for one in made if one.tag == "text"]
    assert shown == ["all", "day", "25\u00a0%", "7", "n\u00a040", "75\u00a0%", "14", "n\u00a020"]
    heights = [float(one.attrib["y2"]) for one in made if one.get("class") == "step"]
    assert heights == pytest.approx([70.0, 57.0, 57.0, 31.0])


# -- records --------------------------------------------------------------------------------------


def test_months_are_what_the_relays_did(kept, worked_out):
    moment = kept.live.board.latest
    with open_reader(kept.journal) as reader:
        (month,) = months(reader, moment.site, moment.now.utc_s)
        on_ms, = reader.query(
            "SELECT sum(on_ms) FROM relay_minute JOIN relay ON relay.id = relay "
            "WHERE name = 'north.left.mat'"
        )[0]  # fmt: skip
        mist_ms, starts = reader.query(
            "SELECT sum(on_ms), sum(starts) FROM relay_minute JOIN relay ON relay.id = relay "
            "WHERE name = 'north.mister'"
        )[0]
    plan = moment.site.benches["north"]
    assert month.heat.kwh == pytest.approx(on_ms / 1000 * plan.bays["left"].mat.power_w / 3.6e6)
    assert month.bursts == starts
    assert month.litres == pytest.approx(mist_ms / 1000 * plan.mister.flow_ml_per_s / 1000)
    told = text_of(worked_out("/records"))
    assert f"{month.heat.kwh:.1f}\u00a0kWh".replace("\u00a0", " ") in told
    assert "March 2026, 2 to 4" in told
    assert "No gap in the last 30 days" in told
    assert "MB" in told


def test_months_begin_at_local_midnight_over_a_clock_change():

    zone = ZoneInfo("Europe/Dublin")
    begun_s, end_s = 1_738_368_000.0, 1_746_100_800.0  # 2025-02-01 and 2025-05-01 12:00 UTC
    found = list(_spans(begun_s, end_s, zone, 12))
    assert found[0] == (1_746_054_000.0, end_s), "May begins at 23:00 UTC in April"
    assert found[-1] == (begun_s, 1_740_787_200.0)
    assert len(found) == 4
    assert all(newer[0] == older[1] for newer, older in pairwise(found))


def test_checks_and_calibrations_are_told(kept, worked_out, monkeypatch):
    monkeypatch.setattr("controller.page.records.CARE_S", 0.0)
    told = text_of(worked_out("/records"))
    assert "The wires were never checked" in told
    assert "No probe is due" in told
    now_s = kept.live.board.latest.now.utc_s
    step = Step(now_s - 60.0, "mat", "north.left.mat", "no probe <b>rose</b>", "fault")
    held = (Held("ice", 0.0, 0.2, 0.05),)
    with Journal.open(kept.journal) as journal:
        keep_check(journal, WireCheck(now_s - 90, now_s - 60, "<i>Ann</i>", "", "done", (step,)))
        for offset in (-0.2, -0.5):
            keep_calibration(journal, Calibrated(
                now_s, "north.left.base1", "degC", "Ann", held, 1.0, 0.0, 1.0, offset, 0.1,
                "written",
            ))  # fmt: skip
    page = worked_out("/records")
    assert "<i>Ann</i>" not in page
    told = text_of(page)
    assert "last checked by <i>Ann</i>" in told
    assert "0 good, 1 at fault" in told
    assert "do both again with care" in told


# -- to take away ---------------------------------------------------------------------------------


@pytest.mark.parametrize("table", ["minutes", "relays", "decisions", "alarms", "events", "batches",
                                   "entries", "checks", "calibrations"])  # fmt: skip
def test_tables_are_csv_under_a_plain_name(kept, table):
    got = kept.browser.ask(f"/take/{table}.csv?span=7d")
    assert got.status == 200
    assert got.headers["content-type"] == "text/csv; charset=utf-8"
    name = re.fullmatch(r'attachment; filename="(warmfoot-[a-z0-9-]+\.csv)"',
                        got.headers["content-disposition"])  # fmt: skip
    assert name
    rows = list(csv.reader(io.StringIO(got.text, newline="")))
    assert rows[0][:2] == ["utc", "local"]
    assert len({len(row) for row in rows}) == 1
    assert int(got.headers["content-length"]) == len(got.text.encode())
    if table == "minutes":
        assert len(rows) > 2 * 24 * 60


def test_results_can_be_read_again(kept):
    got = kept.browser.ask("/take/results.csv")
    zone = kept.live.board.latest.site.site.zone
    rows = read_notebook(got.text.encode(), zone, date(2026, 3, 5), None)
    assert [int(row.past.entries[-1][2]["rooted"]) for row in rows] == [90, 85, 50, 45, 9, 3]


def test_calendar_report_and_labels(kept):
    calendar = kept.browser.ask("/take/due.ics")
    assert calendar.text.startswith("BEGIN:VCALENDAR")
    report = kept.browser.ask("/take/report-1.html")
    assert report.headers["content-disposition"].startswith("attachment;")
    assert "Fuchsia hybrids" in report.text
    assert "<script" not in report.text
    labels = kept.browser.ask("/take/labels-1.pdf?copies=30&start=20")
    assert labels.headers["content-type"] == "application/pdf"
    assert labels.text.startswith("%PDF")


def test_label_form_asks_for_a_sheet_of_any_make_and_one_label_a_tray(kept):
    page = kept.browser.ask("/batch/1").text
    form = re.search(r'<form[^>]+action="/take/labels-1.pdf".*?</form>', page, re.S)[0]
    usual = dict(re.findall(r'name="(\w+)"[^>]*value="([^"]*)"', form))
    assert usual["copies"] == "2", "trays 1-2"
    del usual["frame"]  # not ticked
    sheet = sheet_asked({**usual, "paper": "a4"})
    assert sheet == LabelSheet(2, 1, Grid(), frame=False), "as it stands it is the usual sheet"
    wide = {"columns": "2", "rows": "7", "label": "99.1x38.1", "gap": "2.5 x 0", "frame": "yes"}
    made = sheet_asked({**usual, **wide, "start": "14"})
    assert made == LabelSheet(2, 14, Grid("a4", 2, 7, (99.1, 38.1), (2.5, 0.0)), frame=True)
    asked = urlencode({**usual, **wide, "paper": "letter"})
    assert kept.browser.ask(f"/take/labels-1.pdf?{asked}").text.startswith("%PDF")


@pytest.mark.parametrize(
    ("text", "trays"),
    [("1-2", 2), ("1 - 4, 7", 5), ("12", 1), ("", 1), ("blue ones", 1), ("1-999", 96), ("9-3", 1)],
)
def test_trays_are_counted_as_far_as_their_words_tell(text, trays):
    assert trays_of(text) == trays


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("minutes.txt", 404), ("nothing.csv", 404), ("..%2fbench.db", 404), ("bench.db", 404),
        ("report-99.html", 409), ("labels-1.pdf?copies=0", 409), ("labels-1.pdf?copies=1e9", 409),
        (f"labels-1.pdf?start={Grid().size + 1}", 409), ("report-1.pdf", 404),
        ("labels-1.pdf?label=80x33", 409), ("labels-1.pdf?label=wide", 409),
        ("labels-1.pdf?paper=a3", 409), ("labels-1.pdf?rows=0", 409),
        ("labels-1.pdf?copies=%D9%A1", 409),
    ],
)  # fmt: skip
def test_what_cannot_be_taken(kept, name, status):
    assert kept.browser.ask(f"/take/{name}").status == status


def test_files_have_a_bound(kept, monkeypatch):
    held = io.BytesIO()
    bounded = Bounded(held, 10)
    bounded.write(b"x" * 10)
    with pytest.raises(PaperError, match="fewer days"):
        bounded.write(b"x")
    assert held.getvalue() == b"x" * 10
    monkeypatch.setattr(Bounded.__init__, "__defaults__", (1000,))
    assert papers.SIZE_MOST > 1000
    got = kept.browser.ask("/take/minutes.csv")
    assert got.status == 409
    assert "take fewer days" in text_of(got.text)


# -- settings -------------------------------------------------------------------------------------


def test_settings_say_what_is_in_force_in_sentences(kept):
    told = text_of(kept.browser.ask("/settings").text)
    moment = kept.live.board.latest
    aims = moment.aims.bays["north", "left"]
    assert f"The base is held at {aims.target_c:.1f}" in told
    assert f"Heat trips at {aims.trip_c:g}" in told
    assert "Its mat has 120 W on 1.2 m²; an independent cut-out is declared at 35 °C" in told
    assert "0.17 EUR from 23:00 to 08:00" in told
    assert re.search(r"Its mister gives \d+(\.\d)? s for every \d+\.\d kPa min", told)
    assert "For batch 1 Fuchsia hybrids" in told


def test_nothing_secret_is_told(make_page):
    made = make_page(days=0.05, plays=False)
    moment = made.live.board.latest
    text = """
site = { name = "S", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "mqtt", host = "secret-host", user = "secret-user", password_env = "PW_ENV" }
alerts.routes.phone = { url_env = "SECRET_URL", least_priority = 1 }
[benches.north]
alarms.base_cold = { limit = 3.5 }
air.probes = [{ link = "board", node = "n", channel = "air", kind = "air_temperature" }]
[benches.north.bays.left]
probes = [{ link = "board", node = "n", channel = "b", kind = "base_temperature" }]
mat = { link = "board", node = "n", channel = "mat1", power_w = 90 }
"""
    made.live.board.latest = moment._replace(
        site=loads(text, "t"), number=moment.number + 1, seen_s=float("inf")
    )
    page = made.browser.ask("/settings").text
    for secret in ("secret-host", "secret-user", "PW_ENV", "SECRET_URL"):
        assert secret not in page
    told = text_of(page)
    assert "Alarms go to phone (priority 1 and above)" in told
    assert "the bench file says 3.5" in told
    assert "no independent cut-out is declared" in told
