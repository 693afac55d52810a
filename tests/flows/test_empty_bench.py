"""A bench without a batch idles safely: it does only what was asked, and rings nobody."""

import pytest

HOT_AND_DRY = {"weather": "hot_spell", "start": "2026-07-03T10:00"}


def watered(play) -> bool:
    return any(float(fields["mist"]) > 0.0 for _, fields in play.orders)


def heated(play) -> bool:
    return any(float(fields["mat1"]) > 0.0 for _, fields in play.orders)


def raised(play) -> set[str]:
    """Every alarm of the bench that was beyond its limit in the play, shown or not."""
    return {
        name
        for (name, place), held in play.controller.state.alarms.items()
        if place.startswith("north") and held.under != "NORM"
    }


def test_an_empty_bench_without_a_recipe_rests_whatever_the_weather(played, bench_text) -> None:
    play = played(bench_text(bench=""), weather="frost", start="2026-01-12T15:00")
    play.play(20.0)
    assert not heated(play)
    assert not watered(play)
    assert play.alarm("base_cold", "north.left") == "NORM"
    assert play.alarm("base_very_cold", "north.left") == "NORM"
    said = play.controller.sharing()
    assert said.bays["north", "left"].text == "empty: no batch is stuck, heat is off"
    assert said.misters["north"].text == "empty: no batch is stuck, mist is off"


def test_an_empty_bench_is_kept_from_frost_when_the_bench_file_asks(played, bench_text) -> None:
    play = played(
        bench_text(bench="heat = { frost_c = 6.0 }"), weather="frost", start="2026-01-12T15:00"
    )
    play.play(20.0)
    lowest_c = play.base_c
    for _ in range(8):
        play.play(2.0)
        lowest_c = min(lowest_c, play.base_c)
    assert heated(play)
    assert lowest_c > 5.0
    assert not watered(play)
    assert play.controller.aims.bays["north", "left"].why == "frost guard, no batch is stuck"


def test_a_warm_day_is_no_alarm_of_a_bench_that_is_only_kept_from_frost(played, bench_text) -> None:
    play = played(
        bench_text(bench="heat = { frost_c = 6.0 }"),
        weather="spring_mixed",
        start="2026-05-10T08:00",
    )
    play.play(8.0)
    assert play.base_c > 12.0
    assert not heated(play)
    assert "base_hot" not in raised(play)


@pytest.mark.parametrize("weather", ["hot_spell", "summer_mild"])
def test_dry_or_hot_air_over_an_empty_bench_kept_ready_is_no_alarm(
    played, bench_text, weather
) -> None:
    """With its mist held, the air is as dry as it gets."""
    play = played(bench_text(), weather=weather, start="2026-07-03T10:00")
    for _ in range(9):
        play.ask("hold_mist", "north", span_s=3600.0)
        play.play(1.0)
        found = raised(play)
        assert not {"air_dry", "air_very_dry", "air_saturated", "top_hot"} & found


def test_with_a_batch_the_same_air_is_told(played, bench_text) -> None:
    play = played(bench_text(), **HOT_AND_DRY)
    play.stick()
    play.ask("hold_mist", "north", span_s=4 * 3600.0)
    play.play_until(lambda: play.alarm("air_dry", "north") == "UNACK", within_h=4.0)


def test_an_alarm_of_dry_air_ends_with_the_last_batch(played, bench_text) -> None:
    play = played(bench_text(), **HOT_AND_DRY)
    number = play.stick()
    play.ask("hold_mist", "north", span_s=12 * 3600.0)
    play.play_until(lambda: play.alarm("air_dry", "north") == "UNACK", within_h=4.0)
    play.close(number)
    play.play(1.0)
    assert play.alarm("air_dry", "north") == "RTNUN"


def test_a_closed_batch_lets_the_bench_rest_and_a_new_one_wakes_it(played, bench_text) -> None:
    play = played(bench_text(bench=""), weather="frost", start="2026-01-12T15:00")
    number = play.stick()
    play.play(1.0)
    assert heated(play)
    assert play.controller.sharing().bays["north", "left"].batch == number
    play.close(number)
    play.play(0.5)
    play.orders.clear()
    play.play(3.0)
    assert not heated(play)
    assert not watered(play)
    play.stick()
    play.play(1.0)
    assert heated(play)
