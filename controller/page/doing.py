"""What the forms of batches have in common: what they are made of, and fields that many share."""

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from config.model import Site
from config.recipes import Recipe
from controller.batch_acts import BatchActs
from controller.entries import LOST_CAUSES, left
from controller.page.fields import Field, Typed
from controller.page.words import place_words
from controller.records import Batch, Entry

WHEN: Final = Field("when", "When", "when", hint="by the clock here; empty for now")
NOTE: Final = Field("note", "Note", "lines", hint="in your own words; kept with the record")
WILTED: Final = Field(
    "wilted", "The leaves", "choice",
    (("", "not looked at"), ("no", "stand"), ("yes", "flag")),
)  # fmt: skip
CAUSE_WORDS: Final = {cause: cause.replace("_", " ") for cause in LOST_CAUSES}


class Known(NamedTuple):
    """What a form is made of. entries: those that stand.  others: the other open batches.
    proposed: the phase that is proposed next, "" for none."""

    site: Site
    batch: Batch
    recipe: Recipe
    entries: Sequence[Entry]
    others: Sequence[Batch]
    proposed: str


Do = Callable[[BatchActs, Known, Typed], str]


class Doing(NamedTuple):
    """One act. fields: of its form.  do: reads them and does it, gives what was done in words;
    raises Wrong or BatchError.  link: words on the batch's page.  effect: lines to be shown before
    it is asked for again, None where once is enough.  after_closing: may still be done then."""

    title: str
    link: str
    button: str
    fields: Callable[[Known], tuple[Field, ...]]
    do: Do
    effect: Callable[[Known, Typed], tuple[str, ...]] | None = None
    after_closing: bool = False


def number_field(name: str, words: str, hint: str = "", value: str = "") -> Field:
    return Field(name, words, "number", hint=hint, value=value)


def bay_choices(site: Site, *, without: str = "") -> tuple[tuple[str, str], ...]:
    """Every bay there is, but one, with its words."""
    places = [f"{bench}.{bay}" for bench, plan in site.benches.items() for bay in plan.bays]
    return tuple((place, place_words(place, site)) for place in places if place != without)


def place_of(site: Site, typed: Typed, name: str) -> tuple[str, str]:
    place = typed.one_of(name, [own for own, _ in bay_choices(site)], "one of the bays")
    bench, _, bay = place.partition(".")
    return bench, bay


def said_wilted(typed: Typed) -> bool | None:
    return {"yes": True, "no": False}.get(typed.text("wilted"))


def rest_of(known: Known) -> str:
    return f"{left(known.batch, known.entries)} are left of {known.batch.cuttings}"
