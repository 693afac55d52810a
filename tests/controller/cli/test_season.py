"""season as a person asks it: here, elsewhere, in another month, of one kind or plant."""

import json
from collections.abc import Callable

import pytest
from click.testing import Result

Ask = Callable[..., Result]


def rows(ask: Ask, *words: str) -> list[dict[str, object]]:
    said = ask("season", *words, "--json")
    assert said.exit_code == 0, said.output
    found: list[dict[str, object]] = json.loads(said.stdout)["rows"]
    return found


def states(ask: Ask, *words: str) -> dict[str, str]:
    return {row["kind"]: row["season"]["state"] for row in rows(ask, *words) if not row["plant"]}  # type: ignore[index, misc]


def test_april_in_the_north_goes_by_the_latitude_of_the_bench_file(ask: Ask) -> None:
    said = ask("season", "--month", "4")
    assert said.exit_code == 0, said.output
    assert said.output.startswith("Apr at 53.3° N, Alder Lane Nursery\n")
    now, rest = said.output.split("can be stuck now\n")[1].split("comes next\n")
    assert "Softwood (softwood): Apr-Jul\n    wood: A shoot bent double snaps clean" in now
    assert "Fuchsia: Mar-Sep" in now
    coming, rest = rest.split("just over")
    assert "Greenwood (greenwood): Jun-Jul; opens in 2 months" in coming
    assert "Hydrangea (Hydrangea macrophylla): May-Jul; opens in 1 month" in coming
    assert "Hardwood, leafless, base-heated (hardwood): Nov-Mar\n    wood: Dormant" in rest


def test_april_in_the_south_is_october_in_the_north(ask: Ask) -> None:
    south = states(ask, "--latitude", "-37.8", "--month", "apr")
    assert south == states(ask, "--latitude", "53", "--month", "October")
    assert south["semi_ripe"] == "now"
    assert south["softwood"] == "closed"
    assert "here soft wood comes some weeks sooner" in ask("season", "--latitude", "-37").output
    assert "some weeks later" in ask("season", "--latitude", "60").output


def test_in_the_tropics_the_wood_is_all_there_is(ask: Ask) -> None:
    said = ask("season", "--latitude", "-13.5")
    assert "the date tells little of the wood" in said.output
    assert "can be stuck now" not in said.output
    assert said.output.count("    wood: ") == 9
    assert set(states(ask, "--latitude", "23.5").values()) == {"tropics"}


def test_a_bench_file_gives_the_place_without_a_journal(
    ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("WARMFOOT_JOURNAL")
    said = ask("season", "config/examples/alder_lane.toml", "--date", "2026-07-09")
    assert said.output.startswith("Jul at 53.3° N")
    bare = ask("season")
    assert bare.exit_code == 5
    assert "--latitude 53.3, or BENCH.toml" in bare.output


@pytest.mark.parametrize("name", ["lavender", "Lavandula angustifolia 'Hidcote'"])
def test_a_plant_is_found_by_any_of_its_names(ask: Ask, name: str) -> None:
    (row,) = rows(ask, "--plant", name, "--month", "8")
    assert row["plant"] == "Lavender (Lavandula angustifolia)"
    assert row["season"]["state"] == "now"  # type: ignore[index]
    assert len(rows(ask, "--plant", "lavandula")) == 2


def test_a_plant_of_two_kinds_has_both_windows(ask: Ask) -> None:
    found = {row["kind"]: row["season"]["months"] for row in rows(ask, "--plant", "weigela")}  # type: ignore[index]
    assert found["softwood"] == [6, 7]
    assert found["hardwood"] == [11, 12, 1, 2]


def test_an_unknown_plant_goes_by_its_kind_and_a_slip_is_guessed(ask: Ask) -> None:
    said = ask("season", "--plant", "lavander", "--kind", "semi_ripe", "--month", "8").output
    assert "'lavander' (did you mean Lavender?); it goes by its kind" in said
    assert "Semi-ripe (semi_ripe): Jul-Oct" in said
    assert "wood: Wood of this year" in said


def test_own_batches_of_the_month_are_told_with_their_number(ask: Ask) -> None:
    for rooted in ("30", "20"):
        ask("batch", "stick", "Fuchsia 'Rufus'", "--kind", "softwood", "--bay", "north",
            "--count", "40", "--stuck", "2026-03-02 08:00")  # fmt: skip
        number = 2 if rooted == "30" else 3
        ask("batch", "close", str(number), "--rooted", rooted, "--at", "2026-03-03 18:00")
    said = ask("season", "--month", "3", "--plant", "fuchsia").output
    assert "Fuchsia: Mar-Sep; yours of this month: 50 of 80 rooted (2 batches)" in said
    assert "yours" not in ask("season", "--month", "4", "--plant", "fuchsia").output
    (row,) = rows(ask, "--month", "3", "--plant", "fuchsia")
    assert (row["own_batches"], row["own_rooted"], row["own_cuttings"]) == (2, 50, 80)


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--month", "13"), 2, "'13' is not a month"),
        (("--month", "0"), 2, "is not a month"),
        (("--month", "ma"), 2, "is not a month"),
        (("--date", "soon"), 2, "is not a date"),
        (("--month", "3", "--date", "2026-03-01"), 5, "give one of them"),
        (("--latitude", "91"), 2, "91"),
        (("--kind", "semiripe"), 5, "did you mean semi_ripe"),
        (("--kind", "poinsettia"), 5, "no kind of cutting"),
        (("nothing.toml",), 3, "nothing.toml"),
    ],
)
def test_what_cannot_be_asked_is_refused(
    ask: Ask, words: tuple[str, ...], code: int, told: str
) -> None:
    said = ask("season", *words)
    assert said.exit_code == code, said.output
    assert told in said.output
