"""Questions before sticking as a person answers them: by options, one by one, and afterwards."""

import json
from collections.abc import Callable

import pytest
from click.testing import CliRunner, Result

from config.checklist import QUESTIONS, questions_for
from controller.cli import main

Ask = Callable[..., Result]
HEBE = (
    "batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", "40",
    "--stuck", "2026-03-02 08:00",
)  # fmt: skip


@pytest.fixture
def walk(ask: Ask) -> Ask:  # noqa: ARG001  (it sets the journal)
    """As `ask`, with lines typed in."""

    def run(*words: str, lines: str) -> Result:
        return CliRunner().invoke(main, list(words), input=lines)

    return run


def checklist(ask: Ask, number: int) -> dict[str, object]:
    found: dict[str, object] = json.loads(ask("batch", "checklist", str(number), "--json").output)
    return found


def test_options_are_kept_with_the_batch_and_open_ones_are_unknown(ask: Ask) -> None:
    said = ask(*HEBE, "--flowering", "N", "--length-mm", "7cm", "--nodes", "unknown", "--json")
    assert said.exit_code == 0, said.output
    assert json.loads(said.stdout)["details"] == {"flowering": "no", "length_mm": "70"}
    shown = ask("batch", "show", "2").output
    assert "flowering: no\n" in shown
    assert "length: 70 mm" in shown
    assert "unknown: wood right by its test, young growth, pest or disease, nodes" in shown
    data = json.loads(ask("batch", "show", "2", "--json").output)["checklist"]
    assert data["answers"] == {"flowering": "no", "length_mm": "70"}
    assert set(data["unknown"]) == {q.key for q in QUESTIONS} - data["answers"].keys()


def test_nothing_has_to_be_answered(ask: Ask) -> None:
    assert ask(*HEBE).exit_code == 0
    assert checklist(ask, 2)["answers"] == {}


def test_being_asked_one_by_one_skips_what_was_said_and_leaves_blanks_open(walk: Ask) -> None:
    said = walk(*HEBE, "--flowering", "no", "--ask", "--json", lines="yes\n\nno\n80\n")
    assert said.exit_code == 0, said.output
    assert "Is there a flower" not in said.stderr
    assert "The wood: Wood of this year, reasonably firm" in said.stderr
    assert json.loads(said.stdout)["details"] == {
        "flowering": "no", "wood_ready": "yes", "pest_or_disease": "no", "length_mm": "80",
    }  # fmt: skip


def test_every_question_of_a_kind_is_asked_in_order(walk: Ask, ask: Ask) -> None:
    words = ["batch", "stick", "Acanthus", "--kind", "root", "--bay", "north", "--count", "40"]
    said = walk(*words, "--ask", lines="yes\nyes\nno\n60\n1\nyes\n28\n")
    assert said.exit_code == 0, said.output
    places = [said.stderr.index(question.ask) for question in questions_for("root")]
    assert places == sorted(places)
    assert "How many leaves" not in said.stderr
    assert checklist(ask, 2)["unknown"] == []


def test_an_unreadable_line_of_a_pipe_sticks_nothing(ask: Ask, walk: Ask) -> None:
    said = walk(*HEBE, "--ask", lines="perhaps\n")
    assert said.exit_code == 5
    assert "wood right by its test 'perhaps': write yes, no or unknown" in said.stderr
    assert "no batch 2" in ask("batch", "checklist", "2").output


def test_answers_are_given_back_when_the_batch_is_refused(walk: Ask) -> None:
    words = [word if word != "40" else "0" for word in HEBE]
    said = walk(*words, "--ask", lines="yes\n\nno\n")
    assert said.exit_code == 5
    assert "your answers, to give again: --wood-ready yes --flowering no" in said.stderr


def test_an_unreadable_option_names_what_can_be_written(ask: Ask) -> None:
    said = ask(*HEBE, "--length-mm", "7")
    assert said.exit_code == 2
    assert "for 7 cm write 7cm" in said.output
    twice = ask(*HEBE, "--flowering", "no", "--detail", "flowering=yes")
    assert twice.exit_code == 5
    assert "flowering is given twice" in twice.output


def test_answers_can_be_added_changed_and_taken_back_later(ask: Ask, walk: Ask) -> None:
    ask(*HEBE, "--flowering", "no", "--nodes", "3")
    added = ask("batch", "checklist", "2", "--flowering", "yes", "--nodes", "unknown",
                "--note", "found buds")  # fmt: skip
    assert added.exit_code == 0, added.output
    assert "flowering: yes, entered later" in added.output
    found = checklist(ask, 2)
    assert found["answers"] == {"flowering": "yes"}
    assert found["entered_later"] == ["flowering", "nodes"]
    shown = ask("batch", "show", "2").output
    assert "checked flowering=yes nodes=unknown  found buds" in shown
    asked = walk("batch", "checklist", "2", "--ask", lines="yes\n")
    assert asked.exit_code == 0, asked.output
    assert checklist(ask, 2)["answers"] == {"flowering": "yes", "wood_ready": "yes"}


def test_a_review_goes_by_the_answers_as_they_stand(ask: Ask) -> None:
    ask(*HEBE, "--wood-ready", "yes")
    ask("batch", "close", "2", "--rooted", "4", "--at", "2026-03-03 18:00")
    assert "flowering wood" not in ask("review", "2").output
    ask("batch", "enter", "2", "checked", "flowering=yes", "--at", "2026-03-04")
    assert "likely: flowering wood" in ask("review", "2").output


def test_the_list_itself_can_be_seen_without_a_batch(ask: Ask) -> None:
    every = json.loads(ask("batch", "checklist", "--json").output)
    assert [one["key"] for one in every] == [question.key for question in QUESTIONS]
    root = ask("batch", "checklist", "--kind", "root").output
    assert "--leaves-kept" not in root
    assert "the wood: The plant is dormant" in root
    assert ask("batch", "checklist", "--kind", "twig").exit_code == 5
    assert "which batch" in ask("batch", "checklist", "--flowering", "no").output


def test_what_is_not_asked_of_a_kind_is_refused(ask: Ask) -> None:
    ask("batch", "stick", "Acanthus", "--kind", "root", "--bay", "north", "--count", "40")
    said = ask("batch", "checklist", "2", "--leaves-kept", "2")
    assert (said.exit_code, said.output.strip()) == (
        5,
        "leaves kept is not asked of root cuttings",
    )


def test_a_date_out_of_season_is_told_once_with_the_test_of_the_wood(ask: Ask) -> None:
    """Hebe is for July to October in the north; stuck in March."""
    said = ask(*HEBE).output
    assert "usually stuck Jul-Oct here; the wood outranks the date: Wood of this year" in said
    assert "usually stuck" not in ask(*HEBE, "--wood-ready", "yes").output
    assert "usually stuck" not in ask(*HEBE[:-1], "2026-02-02 08:00", "--json").stdout
