"""When what can be stuck: north, south and in the tropics, by kind and by plant."""

import pytest

from config.recipes import recipe_for, recipes
from config.seasons import local_months, months_outside, season_of, spans
from config.windows import plant_windows, window_of

NORTH, SOUTH, NEAR_EQUATOR = 53.3, -37.8, 13.7


def test_windows_move_six_months_in_the_south() -> None:
    softwood = recipe_for("softwood").window
    assert local_months(softwood, NORTH) == (4, 5, 6, 7)
    assert local_months(softwood, SOUTH) == (10, 11, 12, 1)
    assert local_months(recipe_for("hardwood").window, SOUTH) == (5, 6, 7, 8, 9)
    assert local_months((), SOUTH) == ()


@pytest.mark.parametrize("kind", [name for name, one in recipes().items() if one.plant is None])
def test_south_is_north_half_a_year_later(kind: str) -> None:
    for month in range(1, 13):
        north = season_of(recipe_for(kind), NORTH, month)
        south = season_of(recipe_for(kind), SOUTH, (month + 5) % 12 + 1)
        assert south._replace(months=()) == north._replace(months=())


def test_softwood_is_stuck_in_may_june_and_july() -> None:
    """NC State Extension HIL-8702: for most woody plants softwood in May, June or July,
    semi-hardwood from mid July to early fall, hardwood in late fall, winter or early spring."""
    for month in (5, 6, 7):
        assert season_of(recipe_for("softwood"), 35.8, month).state == "now"
    for month in (7, 8, 9):
        assert season_of(recipe_for("semi_ripe"), 35.8, month).state == "now"
    for month in (11, 12, 1, 2, 3):
        assert season_of(recipe_for("hardwood"), 35.8, month).state == "now"
    assert season_of(recipe_for("herbaceous"), 35.8, 12).state == "any"


@pytest.mark.parametrize(
    ("month", "state", "opens_in", "ended_ago", "left"),
    [
        (1, "closed", 3, 6, 0),
        (2, "next", 2, 7, 0),
        (3, "next", 1, 8, 0),
        (4, "now", 0, 0, 4),
        (7, "now", 0, 0, 1),
        (8, "ended", 8, 1, 0),
        (9, "ended", 7, 2, 0),
        (10, "closed", 6, 3, 0),
    ],
)
def test_a_softwood_year(month: int, state: str, opens_in: int, ended_ago: int, left: int) -> None:
    found = season_of(recipe_for("softwood"), NORTH, month)
    assert (found.state, found.opens_in, found.ended_ago) == (state, opens_in, ended_ago)
    assert found.left == left


def test_a_window_across_new_year_is_one_run() -> None:
    assert spans((11, 12, 1, 2, 3)) == [(11, 3)]
    assert spans((2, 3, 8, 9)) == [(2, 3), (8, 9)]
    assert spans((7,)) == [(7, 7)]
    assert spans(range(1, 13)) == [(1, 12)]
    assert spans(()) == []
    assert season_of(recipe_for("hardwood"), NORTH, 12).left == 4


def test_best_months_are_told_of_kinds_that_root_all_year() -> None:
    herbaceous = recipe_for("herbaceous")
    assert season_of(herbaceous, NORTH, 3).best is True
    assert season_of(herbaceous, NORTH, 12).best is False
    assert season_of(herbaceous, SOUTH, 9).best is True
    assert season_of(recipe_for("softwood"), NORTH, 5).best is None


@pytest.mark.parametrize("latitude_deg", [0.0, NEAR_EQUATOR, -23.5, 23.5])
def test_in_the_tropics_the_date_tells_nothing(latitude_deg: float) -> None:
    found = season_of(recipe_for("softwood"), latitude_deg, 1)
    assert (found.state, found.months, found.opens_in) == ("tropics", (), None)
    assert months_outside(recipe_for("softwood"), latitude_deg, 1) is None
    assert season_of(recipe_for("softwood"), 23.6, 5).state == "now"


def test_months_outside_count_to_the_nearer_end() -> None:
    softwood = recipe_for("softwood")
    assert [months_outside(softwood, NORTH, m) for m in range(1, 13)] == [
        3, 2, 1, 0, 0, 0, 0, 1, 2, 3, 4, 4,
    ]  # fmt: skip
    assert months_outside(softwood, SOUTH, 12) == 0
    assert months_outside(recipe_for("herbaceous"), NORTH, 12) is None


def test_tender_kinds_are_never_out_of_season_though_a_plant_has_its_usual_months() -> None:
    poinsettia = recipe_for("herbaceous", "poinsettia")
    assert poinsettia.window == (6, 7, 8)
    assert months_outside(poinsettia, NORTH, 12) is None


def test_a_plant_has_its_own_window_in_its_kinds_recipe() -> None:
    """Fuchsia is stuck to September, softwood as a whole to July (common practice)."""
    assert recipe_for("softwood", "Fuchsia 'Rufus'").window == (3, 4, 5, 6, 7, 8, 9)
    assert recipe_for("softwood", "Fuchsia 'Rufus'").name == "softwood"
    assert recipe_for("softwood", "Cornus").window == recipe_for("softwood").window
    assert recipe_for("softwood", "Weigela").window == (6, 7)
    assert recipe_for("hardwood", "Weigela").window == (11, 12, 1, 2)
    assert recipe_for("semi_ripe", "Weigela").window == recipe_for("semi_ripe").window


def test_published_windows() -> None:
    """Walnut, hazel and apple: nothing in late spring to early autumn, best from late autumn to
    early spring (Tajbakhsh et al. 2009). Olive: mid February to March and mid July (Ahmed et al.
    2002). Japanese maple: November wood (Acta Hort. 226)."""
    for plant in ("Juglans", "Corylus", "Malus"):
        assert not set(recipe_for("hardwood", plant).window) & {5, 6, 7, 8, 9}
    assert recipe_for("semi_ripe", "Olive").window == (2, 3, 7)
    assert recipe_for("hardwood", "Acer palmatum").window == (11,)


@pytest.mark.parametrize("row", plant_windows(), ids=lambda row: f"{row.plant} {row.kind}")
def test_every_window_is_of_a_kind_there_is_and_is_not_told_twice(row) -> None:  # type: ignore[no-untyped-def]
    assert recipes()[row.kind].plant is None
    assert recipe_for(row.kind, row.plant).plant is None, "it has a recipe of its own"
    assert window_of(row.kind, row.plant) == row
    assert row.source
    same = [one for one in plant_windows() if (one.plant, one.kind) == (row.plant, row.kind)]
    assert same == [row]


def test_the_longer_name_wins_and_marks_count_for_nothing() -> None:
    found = window_of("semi_ripe", "  lavandula ANGUSTIFOLIA 'Hidcote'")
    assert found is not None
    assert found.title == "Lavender (Lavandula angustifolia)"
    lavandin = window_of("softwood", "Lavandula x intermedia")
    assert lavandin is not None
    assert 9 in lavandin.months
    assert window_of("softwood", "") is None
