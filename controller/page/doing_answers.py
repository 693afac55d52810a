"""The questions before sticking as fields, and their answers as a batch keeps them."""

from collections.abc import Mapping
from typing import Final

from config.checklist import BY_KEY, AnswerError, Question, questions_for, read_answer
from controller.batch_acts import BatchActs
from controller.entries import evidence
from controller.page.doing import NOTE, WHEN, Known
from controller.page.fields import Field, Typed

NOTED: Final = ("hormone", "mix", "stock")
"""Kept beside the answers; batches are compared by them."""


def question_field(question: Question, value: str = "") -> Field:
    """One question before sticking; it may stay open."""
    if question.kind == "yes_no":
        choices = (("yes", "yes"), ("no", "no"), ("", "not known"))
        return Field(question.key, question.ask, "choice", choices,
                     f"usually right: {question.wanted}", value)  # fmt: skip
    unit = question.unit or "a number"
    hint = f"{unit}, {question.least:g} to {question.most:g}; usually right: {question.wanted}"
    return Field(question.key, question.ask, hint=hint, value=value)


def noted_fields(known: Mapping[str, str]) -> tuple[Field, ...]:
    return tuple(
        Field(name, words, hint=hint, value=known.get(name, ""))
        for name, words, hint in (
            ("hormone", "Rooting hormone", "the label is the law"),
            ("mix", "Mix", "as you call it: batches are compared by it"),
            ("stock", "Stock plant", "which one, how old"),
        )
    )


def answers_of(typed: Typed, kind: str) -> dict[str, str]:
    """Answers as they are kept, open ones as "". What can't be read is noted as wrong."""
    found = {}
    for question in questions_for(kind):
        try:
            found[question.key] = read_answer(question, typed.text(question.key))
        except AnswerError as error:
            typed.fault(question.key, str(error))
    return found | {name: " ".join(typed.text(name).split()) for name in NOTED}


def checked_fields(known: Known) -> tuple[Field, ...]:
    said = evidence(known.batch, known.entries)
    asked = tuple(
        question_field(one, said.get(one.key, "")) for one in questions_for(known.batch.kind)
    )
    return (*noted_fields(said), *asked, WHEN, NOTE)


def do_checked(acts: BatchActs, known: Known, typed: Typed) -> str:
    said = evidence(known.batch, known.entries)
    answers = answers_of(typed, known.batch.kind)
    when = typed.when()
    fresh = {key: value for key, value in answers.items() if value != said.get(key, "")}
    typed.sound()
    if not fresh:
        typed.fault("", "no answer differs from what is on record")
    typed.sound()
    acts.check(known.batch.number, fresh, at_s=when, note=typed.text("note"))
    words = ", ".join(BY_KEY[key].words if key in BY_KEY else key for key in fresh)
    return f"written down: {words}"
