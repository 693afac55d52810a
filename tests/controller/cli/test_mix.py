"""mix as a person uses it: measured, asked, kept with a batch, known again."""

import json
from collections.abc import Callable

import pytest
from click.testing import CliRunner, Result

from controller.cli import main

Ask = Callable[..., Result]
HEBE = ("batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", "40",
        "--stuck", "2026-03-02 08:00", "--wood-ready", "yes")  # fmt: skip
GOOD = ("mix", "--container", "1l", "--drained", "280", "--height-cm", "5")


def test_the_result_stands_beside_the_range_and_what_to_change(ask: Ask) -> None:
    said = ask("mix", "--container", "1000", "--to-saturate", "620ml", "--drained", "0.18 l")
    assert said.exit_code == 0, said.output
    assert "air-filled porosity 18 %: below what cuttings want" in said.output
    assert "wanted for cuttings 25 to 35 % (Faust, Dole & Lopez 2017" in said.output
    assert "water held 44 %, all pores 62 %" in said.output
    assert "change: more of what is coarse" in said.output
    assert "shallower holds less air, deeper more" in said.output
    assert "AS 3743-2003 Appendix B" in said.output
    found = json.loads(ask(*GOOD, "--json").output)
    assert found["afp_pct"] == pytest.approx(28.0)
    assert (found["sits"], found["changes"], found["water_pct"]) == ("within", [], None)


def test_no_journal_is_needed_to_measure(ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WARMFOOT_JOURNAL")
    assert ask(*GOOD).exit_code == 0


def test_what_is_missing_is_named_with_the_steps_of_the_test(ask: Ask) -> None:
    said = ask("mix", "--container", "1000")
    assert said.exit_code == 5
    assert said.output.startswith("--drained missing; this is the test:\n1. Take a tray")


def test_it_asks_for_what_is_missing(ask: Ask) -> None:  # noqa: ARG001
    lines = "what\n1.2l\n\n300\n5,5\n"
    said = CliRunner().invoke(main, ["mix", "--ask", "--json"], input=lines)
    assert said.exit_code == 0, said.output
    assert "'what' is not a volume; write e.g. 850" in said.stderr
    found = json.loads(said.stdout)
    assert found["afp_pct"] == pytest.approx(25.0)
    assert found["total_pct"] is None
    assert found["depth"].startswith("measured at 5.5 cm")
    cut_off = CliRunner().invoke(main, ["mix", "--ask"], input="1000\n")
    assert cut_off.exit_code == 5
    assert "stopped before it was answered" in cut_off.stderr


def test_kept_with_a_batch_it_is_evidence_and_known_again(ask: Ask) -> None:
    ask(*HEBE, "--detail", "mix=Bark and perlite")
    kept = ask(*GOOD, "--save", "2")
    assert kept.exit_code == 0, kept.output
    assert "kept with batch 2" in kept.output
    answers = json.loads(ask("batch", "checklist", "2", "--json").output)["answers"]
    assert answers["afp_pct"] == "28"
    (known,) = json.loads(ask("mix", "--known", "--json").output)
    assert (known["mix"], known["afp_pct"], known["batch"]) == ("Bark and perlite", 28.0, 2)
    again = ask(*HEBE, "--detail", "mix=bark  AND perlite").output
    assert "the same mix held 28 % at 5 cm for batch 2" in again
    measured = ask("mix", "--container", "1l", "--drained", "200", "--mix", "bark and perlite")
    assert "measured before: 28 % at 5 cm, batch 2" in measured.output
    assert "afp_pct" not in json.loads(ask(*HEBE, "--json").stdout)["details"]


def test_a_later_measurement_is_the_one_that_counts(ask: Ask) -> None:
    ask(*HEBE, "--detail", "mix=peat", "--afp-pct", "12")
    ask(*GOOD, "--save", "2")
    assert [one["afp_pct"] for one in json.loads(ask("mix", "--known", "--json").output)] == [28.0]


def test_a_mix_of_many_batches_is_one_line_with_its_range(ask: Ask) -> None:
    for afp in ("20", "31", "24"):
        ask(*HEBE, "--detail", f"mix={'Bark and Perlite' if afp == '31' else 'bark and perlite'}",
            "--afp-pct", afp)  # fmt: skip
    ask(*HEBE, "--detail", "mix=peat", "--afp-pct", "12")
    lines = ask("mix", "--known").output.splitlines()
    assert [line.split("  ")[0] for line in lines] == ["mix", "peat", "bark and perlite"]
    assert "24 %" in lines[2]
    assert "20 to 31 % (3)" in lines[2]
    assert lines[2].split()[-2] == "4"


def test_a_figure_from_a_deep_pot_is_not_kept_for_a_shallow_tray(ask: Ask) -> None:
    ask(*HEBE)
    said = ask("mix", "--container", "2l", "--drained", "560", "--height-cm", "15",
               "--tray-height-cm", "5", "--save", "2")  # fmt: skip
    assert said.exit_code == 5
    assert "not kept with batch 2: measured at 15 cm; a tray of 5 cm holds less" in said.output
    assert json.loads(ask("batch", "checklist", "2", "--json").output)["answers"].keys() == {
        "wood_ready"
    }


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--container", "1l", "--drained", "300", "--to-saturate", "200"), 5, "more ran out"),
        (("--container", "1 gallon", "--drained", "300"), 2, "is not a volume"),
        (("--container", "1l", "--drained", "-3"), 2, "is not a volume"),
        (("--container", "1l", "--drained", "280", "--save", "9"), 5, "no batch 9"),
        (("--container", "1l", "--drained", "280", "--tray-height-cm", "5"), 5, "give both"),
    ],
)
def test_what_cannot_be_used_is_refused(
    ask: Ask, words: tuple[str, ...], code: int, told: str
) -> None:
    said = ask("mix", *words)
    assert said.exit_code == code
    assert told in said.output


def test_another_mix_than_the_batch_has_is_not_kept_with_it(ask: Ask) -> None:
    ask(*HEBE, "--detail", "mix=peat")
    said = ask(*GOOD, "--save", "2", "--mix", "bark")
    assert said.exit_code == 5
    assert "batch 2 was stuck in 'peat', not in 'bark'" in said.output
    ask(*HEBE)
    assert ask(*GOOD, "--save", "3", "--mix", "bark").exit_code == 0
    assert json.loads(ask("mix", "--known", "--mix", "BARK", "--json").output)[0]["batch"] == 3


def test_nothing_known_yet_says_how_it_comes_to_be_known(ask: Ask) -> None:
    assert "warmfoot mix --save" in ask("mix", "--known").output
