"""Notebooks as spreadsheets save them: what is taken, and how each row's trouble is told."""

import contextlib
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cells import FORMULA_SIGNS, guarded, unguarded
from controller.notebook import NotebookError, Row, read_count, read_day, read_notebook

DUBLIN = ZoneInfo("Europe/Dublin")
TODAY = date(2026, 3, 1)
HEAD = "plant,kind,stuck_on,cuttings,closed_on,rooted"
ROW = "Hebe,semi_ripe,2019-09-01,100,2019-10-05,84"


def read(text: str | bytes, order: str | None = None) -> list[Row]:
    data = text if isinstance(text, bytes) else text.encode("utf-8")
    return read_notebook(data, DUBLIN, TODAY, order)  # type: ignore[arg-type]


def refused(text: str | bytes, order: str | None = None) -> list[str]:
    with pytest.raises(NotebookError) as caught:
        read(text, order)
    return list(caught.value.problems)


def test_a_row_becomes_a_closed_batch() -> None:
    (row,) = read(
        f"{HEAD},callused,lost_rotted,not_yet_on,half_rooted_on,bay,trays,hormone,flowering,"
        f"detail:who cut,lesson\n{ROW},4,7,2019-09-19,2019-09-26,left,A1,talc,n,Ann,less mist\n"
    )
    past = row.past
    assert (past.plant, past.recipe.kind, past.bay, past.trays) == (
        "Hebe",
        "semi_ripe",
        "left",
        "A1",
    )
    noon = datetime(2019, 9, 1, 11, tzinfo=UTC).timestamp()  # summer time in Ireland
    assert (past.cuttings, past.stuck_s) == (100, noon)
    assert past.details == {"hormone": "talc", "flowering": "no", "who cut": "Ann"}
    assert [(round((at - noon) / 86400), str(kind), values, note)
            for at, kind, values, note in past.entries] == [
        (18, "looked", {"half_rooted": "no"}, ""),
        (25, "looked", {"half_rooted": "yes"}, ""),
        (34, "closed", {"rooted": "84", "callused": "4", "lost_rotted": "7"}, "less mist"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "data",
    [
        f"\ufeff{HEAD}\r\n{ROW}\r\n".encode(),
        f"{HEAD}\n{ROW}".encode("utf-16"),
        f"sep=;\n{HEAD}\n{ROW}".replace(",", ";").encode(),
        f"{HEAD}\n{ROW}\n".replace(",", "\t").encode(),
        f"\n,,,,,\n{HEAD}\n\n;;\n{ROW}\n , ,\n".replace(";;", ",,").encode(),
        f"{HEAD},,\n{ROW},,\n".encode(),
        f"{HEAD}\n{ROW}".replace("100", "100.0").replace("84", '"84,0"').encode(),
        f"{HEAD}\n{ROW}".replace("2019-09-01", "01.09.2019").encode(),
        f"{HEAD}\n{ROW}".replace("2019-10-05", "2019-10-05 00:00:00").encode(),
        b"Plant , Kind,Stuck on,CUTTINGS,closed-on,Rooted\nHebe,Semi-ripe,2019-09-01,100,"
        b"2019-10-05,84",
    ],
)
def test_habits_of_spreadsheets_make_no_difference(data: bytes) -> None:
    (row,) = read(data)
    assert row.cells == {
        "plant": "Hebe", "kind": "semi_ripe", "stuck_on": "2019-09-01", "cuttings": "100",
        "closed_on": "2019-10-05", "rooted": "84",
    }  # fmt: skip


def test_old_encodings_and_decimal_commas_are_read() -> None:
    text = f"{HEAD},afp_pct,trays\n{ROW},22.5,Süd\n".replace(",", ";").replace("22.5", "22,5")
    (row,) = read(text.encode("cp1252"))
    assert row.past.details == {"afp_pct": "22.5"}
    assert row.past.trays == "Süd"


def test_every_row_with_trouble_is_told_at_once() -> None:
    said = refused(
        f"{HEAD},flowering,half_rooted_on\n"
        "Hebe,semi_ripe,2019-09-01,100,2019-10-05,101,,\n"
        "Hebe,semi_ripe,2019-02-30,100,2019-10-05,71%,,\n"
        "\n"
        ",semi_ripe,2019-09-01,100,,1,,\n"
        "Hebe,semiripe,2019-09-01,100,2019-10-05,1,,\n"
        "Hebe,semi_ripe,2019-09-01,100,2019-10-05,1,perhaps,\n"
        "Hebe,semi_ripe,2019-09-01,100,2019-08-05,1,,2019-08-06\n"
        "Hebe,semi_ripe,2019-09-01,0,2026-10-05,0,,\n"
        "Hebe,semi_ripe,2019-09-01,9,2019-10-05,1,,,more\n"
    )
    starts = [
        "line 2: 101 rooted, callused and lost is more than the 100",
        "line 3: stuck_on: '2019-02-30' is no day of the calendar",
        "line 3: rooted: '71%' is not a whole number of cuttings; write how many, not a share",
        "line 5: plant, closed_on are missing",
        "line 6: there are no targets for 'semiripe' (did you mean semi_ripe?)",
        "line 7: ",
        "line 8: half_rooted_on 2019-08-06 should come after stuck_on 2019-09-01",
        "line 8: closed_on 2019-08-05 should come after half_rooted_on 2019-08-06",
        "line 9: closed_on 2026-10-05 lies ahead; check the date",
        "line 9: cuttings 0; a number from 1",
    ]
    starts.append("line 10: 'more' stands under no heading")
    for told, start in zip(said, starts, strict=True):
        assert told.startswith(start), told
    assert "perhaps" in said[5]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "there is nothing in it"),
        (HEAD, "no row below the headings"),
        (HEAD.replace("rooted", "roted") + "\n" + ROW, "no column 'roted' (did you mean rooted?)"),
        (HEAD + ",rooted\n" + ROW, "the column rooted is there twice"),
        ("plant,kind\nHebe,hardwood", "column stuck_on, cuttings, closed_on, rooted is missing"),
        (HEAD + '\n"Hebe', "line 2: not sound CSV"),
        (HEAD + "\n" + ROW.replace("2019-09-01", "3/4/2019"), "nothing tells day from month"),
        (HEAD + "\n" + ROW.replace("2019-09-01", "13/4/2019").replace("2019-10-05", "4/13/2019"),
         "some dates have the day first and some the month"),
        (HEAD + "\n" + ROW.replace("2019-09-01", "1.9.19"), "is not a date; write e.g."),
        (HEAD + "\n" + ROW.replace("2019-09-01", "43709"), "is not a date; write e.g."),
        (b"\x81\x00\xff\x8d", "not text"),
        (b"\xff\xfea", "not text"),
        (b"PK\x03\x04\x14\x00", "save it as CSV first"),
    ],
)  # fmt: skip
def test_files_that_can_not_be_read_say_why(text: str | bytes, said: str) -> None:
    assert any(said in one for one in refused(text)), refused(text)


def test_slashed_dates_are_read_as_the_file_or_the_grower_tells() -> None:
    other = ROW.replace("2019-09-01", "3/4/2019")
    told = f"{HEAD}\n{other}\n" + ROW.replace("2019-10-05", "25/10/2019")
    assert read(told)[0].cells["stuck_on"] == "2019-04-03"
    assert read(f"{HEAD}\n{other}", "month-first")[0].cells["stuck_on"] == "2019-03-04"
    assert read(f"{HEAD}\n{other}", "day-first")[0].cells["stuck_on"] == "2019-04-03"


@given(st.binary(max_size=400) | st.text(max_size=400).map(lambda t: f"{HEAD}\n{t}".encode()))
def test_no_file_breaks_it(data: bytes) -> None:
    with contextlib.suppress(NotebookError):
        assert read(data)


@pytest.mark.parametrize("text", ["84", "84.0", "84,00", "0"])
def test_counts_as_spreadsheets_write_them(text: str) -> None:
    assert read_count(text) == int(text[:2])


@pytest.mark.parametrize("text", ["1.200", "-3", "8 4", "1e2", "٣", "84.5", "", "12345678"])
def test_what_is_no_count_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="whole number"):
        read_count(text)


@given(st.dates(date(1950, 1, 1), date(2100, 1, 1)))
def test_a_day_is_the_same_in_every_writing(day: date) -> None:
    assert read_day(day.isoformat(), None) == day
    assert read_day(f"{day.day}.{day.month}.{day.year}", None) == day
    assert read_day(f"{day.day:02}/{day.month:02}/{day.year}", "day-first") == day
    assert read_day(f"{day.month}-{day.day}-{day.year}", "month-first") == day


@given(st.text(alphabet=st.sampled_from("'= +-@ab\t\r\n＝"), max_size=8))
def test_no_cell_is_a_formula_and_every_text_comes_back(text: str) -> None:
    safe = guarded(text)
    assert safe.lstrip(" ")[:1] not in FORMULA_SIGNS
    assert unguarded(safe) == text
