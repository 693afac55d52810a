"""Questions before sticking: every one sound data, every answer read as a grower writes it."""

import pytest

from config.checklist import (
    BY_KEY,
    QUESTIONS,
    AnswerError,
    questions_for,
    read_answer,
    read_answers,
)
from config.recipes import recipes


def test_the_list_holds_what_is_looked_at_before_sticking() -> None:
    assert {
        "young_growth", "flowering", "pest_or_disease", "length_mm", "nodes", "leaves_kept",
        "base_stripped", "cut_below_node", "hours_to_sticking", "mix_crumbled",
    } <= set(BY_KEY)  # fmt: skip
    assert len(BY_KEY) == len(QUESTIONS)


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda question: question.key)
def test_every_question_says_what_it_wants_and_of_whom(question) -> None:  # type: ignore[no-untyped-def]
    assert question.ask.endswith("?")
    assert question.source
    assert (question.kind == "yes_no") == (question.wanted in ("yes", "no"))
    assert (question.kind == "number") == (question.most > question.least)
    assert all(recipes()[kind].plant is None for kind in question.not_for)


def test_kinds_are_asked_only_what_they_have() -> None:
    keys = {kind: {one.key for one in questions_for(kind)} for kind in ("softwood", "root")}
    assert keys["softwood"] == set(BY_KEY)
    assert not keys["root"] & {"leaves_kept", "flowering", "cut_below_node", "base_stripped"}
    assert "nodes" not in {one.key for one in questions_for("leaf_bud")}
    assert "leaves_kept" not in {one.key for one in questions_for("hardwood")}


@pytest.mark.parametrize(
    ("key", "said", "kept"),
    [
        ("flowering", "No", "no"),
        ("flowering", " y ", "yes"),
        ("young_growth", "TRUE", "yes"),
        ("young_growth", "unknown", ""),
        ("young_growth", "?", ""),
        ("young_growth", "  ", ""),
        ("length_mm", "70", "70"),
        ("length_mm", "7 cm", "70"),
        ("length_mm", "7,5cm", "75"),
        ("length_mm", "3 in", "76.2"),
        ("leaves_kept", "0", "0"),
        ("leaves_kept", "4", "4"),
        ("hours_to_sticking", "1,5", "1.5"),
        ("hours_to_sticking", "30 min", "0.5"),
        ("hours_to_sticking", "2 d", "48"),
        ("afp_pct", "28.5 %", "28.5"),
    ],
)
def test_answers_are_read_and_kept_plain(key: str, said: str, kept: str) -> None:
    assert read_answer(BY_KEY[key], said) == kept


@pytest.mark.parametrize(
    ("key", "said", "words"),
    [
        ("flowering", "perhaps", "flowering 'perhaps': write yes, no or unknown"),
        ("length_mm", "7", "from 10 to 1000 mm; for 7 cm write 7cm"),
        ("length_mm", "7 ft", "from 10 to 1000 mm"),
        ("length_mm", "-70", "from 10 to 1000 mm"),
        ("length_mm", "1e3", "from 10"),
        ("length_mm", "nan", "from 10"),
        ("leaves_kept", "2.5", "a whole number from 0 to 200"),
        ("leaves_kept", "two", "a whole number"),
        ("afp_pct", "128", "from 0 to 80 %"),
        ("hours_to_sticking", "9" * 30, "from 0 to 3000 h"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_can(key: str, said: str, words: str) -> None:
    with pytest.raises(AnswerError) as told:
        read_answer(BY_KEY[key], said)
    assert words in str(told.value)


@pytest.mark.parametrize("key", ["flowring", "Flowering", "leafs_kept", "length", "mix-crumbled"])
def test_a_misspelt_question_is_refused_for_its_answer_would_be_lost(key: str) -> None:
    with pytest.raises(AnswerError, match=r"nothing is asked under .* \(did you mean \w+\?\)"):
        read_answers({key: "yes"})


@pytest.mark.parametrize(
    "key", ["hormone", "mix", "stock", "leaves", "length_cm", "tray", "split_from", "cover", "by"]
)
def test_no_other_detail_is_taken_for_a_question(key: str) -> None:
    assert read_answers({key: "7"}) == {key: "7"}


def test_other_details_pass_as_they_are() -> None:
    given = {"hormone": "IBA 3000 ppm", "flowering": "NO", "length_mm": "8cm", "nodes": "?"}
    read = {"hormone": "IBA 3000 ppm", "flowering": "no", "length_mm": "80", "nodes": ""}
    assert read_answers(given) == read
