"""Stick a batch: what and of which kind first, then the rest with the questions of that kind."""

from datetime import datetime
from typing import Final

from config.checklist import BY_KEY, questions_for
from config.errors import UnknownRecipe
from config.model import Site
from config.recipes import Recipe, recipe_for, recipes
from config.seasons import local_months, months_in_words, months_outside
from config.windows import plant_windows
from controller.batch_acts import BatchActs
from controller.draw.markup import Element, element
from controller.journal.reader import open_reader
from controller.mixes import mix_hint
from controller.page.doing import WHEN, bay_choices, number_field, place_of
from controller.page.doing_answers import answers_of, noted_fields, question_field
from controller.page.fields import Field, Typed, drawn, faults_of_all
from controller.page.forms import hidden_fields
from controller.page.render import Asked, Sheet
from controller.page.words import GAP, sentence
from controller.records import Batch

PLANT: Final = "plant"


def kinds() -> tuple[tuple[str, str], ...]:
    """Every kind of cutting with its words."""
    return tuple((name, one.title) for name, one in recipes().items() if one.plant is None)


def _plants() -> tuple[str, ...]:
    """Plants that the recipes or the windows know."""
    own = {one.plant for one in recipes().values() if one.plant is not None}
    return tuple(sorted(own | {row.plant for row in plant_windows()}))


def stick_page(asked: Asked) -> Sheet:
    """The page of /stick; with ?plant= and ?kind= the whole form."""
    title = element("h1", "Stick a batch")
    if not asked.holder.may_act:
        return Sheet("Stick a batch", (title, element("p", "This token may look but not act.")))
    plant, kind = (asked.query.get(name, "").strip() for name in (PLANT, "kind"))
    recipe = _recipe(plant, kind)
    if recipe is None or not plant:
        return Sheet("Stick a batch", (title, *_first(plant, kind)), typed=True)
    return Sheet("Stick a batch", (title, *_whole(asked, plant, recipe)), typed=True)


def _recipe(plant: str, kind: str) -> Recipe | None:
    try:
        return recipe_for(kind, plant) if kind in dict(kinds()) else None
    except UnknownRecipe:
        return None


def _first(plant: str, kind: str) -> list[Element]:
    """What it is: the rest of the form goes by it."""
    fields = (
        Field(PLANT, "Plant", hint="as you call it; botanical names find more", value=plant,
              known=_plants()),
        Field("kind", "Kind of cutting", "choice", kinds(), value=kind or kinds()[0][0]),
    )  # fmt: skip
    told = "Its recipe, its months and the questions asked of it go by these two."
    return [
        element("p", told, class_="lead"),
        element(
            "form",
            *(drawn(one, {}) for one in fields),
            element("button", "Go on", type="submit"),
            method="get",
            action="/stick",
            class_="typed",
        ),
    ]


def stick_fields(site: Site, recipe: Recipe) -> tuple[Field, ...]:
    """The fields of a kind, first what has to be known."""
    bays = bay_choices(site)
    return (
        Field("bay", "Bay", "choice", bays, value=bays[0][0]),
        number_field("count", "Cuttings"),
        Field("trays", "Trays", hint="as on their labels"),
        WHEN._replace(words="Stuck"),
        *noted_fields({}),
        *(question_field(one) for one in questions_for(recipe.kind)),
    )


def _whole(asked: Asked, plant: str, recipe: Recipe) -> list[Element]:
    moment = asked.moment
    must: list[Element] = []
    more: list[Element] = []
    for one in stick_fields(moment.site, recipe):
        made = drawn(one, asked.query)
        (more if one.name in BY_KEY else must).append(made)
    hidden = [(PLANT, plant), ("kind", recipe.kind), ("form", asked.form_token),
              ("drawn", str(moment.number))]  # fmt: skip
    wood = f"The wood: {recipe.wood}" if recipe.wood else ""
    return [
        element("p", element("b", plant), f", {recipes()[recipe.kind].title}. ",
                element("a", "Another plant or kind", href="/stick"), class_="lead"),
        *(element("p", line) for line in _promises(recipe)),
        _season(recipe, asked.moment.now.utc_s, moment.site),
        faults_of_all(asked.query),
        element(
            "form",
            *hidden_fields(hidden),
            *must,
            element("h2", "Before sticking"),
            element("p", "None has to be answered; what stays open stays unknown, never taken as "
                         "fine. If the batch fails, this is what there is to go by.",
                    class_="quiet"),
            element("p", sentence(wood), class_="asks") if wood else None,
            *more,
            element("button", "Stick it", type="submit"),
            method="post",
            action="/stick",
            class_="typed",
        ),
    ]  # fmt: skip


def _promises(recipe: Recipe) -> list[str]:
    """What the bench will do for it."""
    low, high = recipe.usual_days
    return [
        f"Its base is held at {recipe.base_target_c:g}{GAP}°C, good from {recipe.good_low_c:g} to "
        f"{recipe.good_high_c:g}{GAP}°C; batches like it usually take {low:g} to {high:g} days."
    ]


def _season(recipe: Recipe, now_s: float, site: Site) -> Element:
    """A word on the date; it never stands in the way."""
    month = datetime.fromtimestamp(now_s, site.site.zone).month
    window = months_in_words(local_months(recipe.window, site.site.latitude_deg))
    if not months_outside(recipe, site.site.latitude_deg, month):
        return element("p", f"Usual months here: {window}.", id="season")
    return element(
        "p",
        element("b", "Out of its usual months. "),
        f"It is usually stuck {window} here. The wood outranks the date, so go by its test below.",
        class_="asks",
        id="season",
    )


def stick(acts: BatchActs, site: Site, typed: Typed) -> tuple[str, Batch]:
    """Open the batch that was typed; gives what to say of it, and the batch.

    Raises Wrong or BatchError.
    """
    plant = " ".join(typed.text(PLANT).split())
    kind = typed.one_of("kind", dict(kinds()), "a kind of cutting")
    bench, bay = place_of(site, typed, "bay")
    count = typed.whole("count", least=1)
    trays = typed.text("trays")
    when = typed.when()
    answers = answers_of(typed, kind)
    typed.sound()
    details = {key: value for key, value in answers.items() if value}
    made, _ = acts.stick(plant, kind, bench, bay, count, at_s=when, trays=trays, details=details)
    return f"batch {made.number} is stuck. Put the number {made.number} on every tray label", made


def mix_words(journal: object, made: Batch) -> str:
    """What its mix held when it was last measured, where that was not said; else ""."""
    if not made.details.get("mix") or "afp_pct" in made.details:
        return ""
    with open_reader(str(journal)) as reader:
        return mix_hint(reader, made.details["mix"])
