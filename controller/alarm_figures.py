"""How well the alarms serve, in words for a grower."""

from collections.abc import Callable, Sequence
from zoneinfo import ZoneInfo

from config.shares import percent
from controller.decide.alarm_table import rows as alarm_rows
from controller.decide.alarm_table import span_words
from controller.journal.reader import Reader
from controller.review.alarm_load import Figure, Key, Load, Verdict, load, rated_days

Naming = Callable[[str], str]
MINUTE_S = 60.0
WINDOW_DAYS = 30
SOURCE = (
    "Names of the figures, and 5, 15 and 80 % for the mix, are those of ISA-18.2 and EEMUA 191, as "
    "others quote them (the standards themselves were not read). Their rates, about 150 a day and "
    "300 at the most, are for one who sits at a desk all day. A grower does not: the other targets "
    "are this program's own."
)
SEEN_MOST_S = {1: 15 * MINUTE_S, 2: 120 * MINUTE_S}


def load_of(reader: Reader, now_s: float, zone: ZoneInfo) -> Load:
    """What the alarms of the last WINDOW_DAYS came to, or of as long as there is a record.

    now_s: UTC s.  Raises JournalError.
    """
    runs = reader.runs()
    first_s = runs[0].started_s if runs else now_s
    from_s = max(now_s - WINDOW_DAYS * 86400.0, first_s)
    return load(reader.alarms(from_s=from_s, to_s=now_s + 1.0), from_s, now_s, zone)


def figures(found: Load, place_words: Naming = str) -> list[Figure]:
    """Each figure beside what is wanted. place_words: says a place in the grower's words."""
    made = [
        Figure(
            "Alarms that interrupt (1 and 2)",
            f"{found.interrupting_a_day:.1f} a day",
            "at most 1 a day",
            _judged(found.interrupting_a_day, 1.0, 3.0),
            "Look which of them come most, and put their cause right.",
        ),
        Figure(
            "Of priority 1 between 22:00 and 06:00",
            f"{found.night_urgent_a_week:.1f} a week",
            "at most 1 a week",
            _judged(found.night_urgent_a_week, 1.0, 2.0),
            "Nobody can live with that: find what happens by night.",
        ),
    ]
    if found.raised:
        often = [f"{_title(alarm, place, place_words)} {n} times"
                 for (alarm, place), n in found.commonest]  # fmt: skip
        made.append(
            Figure("All of them", f"{found.raised / rated_days(found.days):.1f} a day",
                   "as many as you see to", "fine", "Begin with those that come most.")
        )  # fmt: skip
        made.append(
            Figure("Most frequent", ", ".join(often) or "none came twice", "no one of them often",
                   "fine", "Put the cause of the first right before any other.")
        )  # fmt: skip
    if found.mix:
        shares = ", ".join(f"{percent(found.mix[one])} of {one}" for one in (1, 2, 3))
        made.append(
            Figure("Their mix", shares, "about 5, 15 and 80 %", _judged(found.mix[1], 0.15, 0.15),
                   "Too much is called urgent, or too much is.")
        )  # fmt: skip
    made += [
        _named("Chattering (3 returns in 10 min)", found.chattering, place_words,
               "Widen its deadband or its delay; do not set it aside."),
        _named("Standing for more than a day", found.stale, place_words,
               "Put it right, or take the part out of the bench file."),
        _named("Floods (5 within 10 min), by what came first", [key for _, key in found.floods],
               place_words, "One fault raised many: begin with the one that came first."),
        _named("Set aside more than twice in a week", found.shelved_often, place_words,
               "What is set aside again and again wants mending or another limit."),
    ]  # fmt: skip
    if found.unseen is not None:
        made.append(
            Figure("Gone before anybody saw it", percent(found.unseen), "less than 20 %",
                   _judged(found.unseen, 0.2, 0.4), "Limits may be too tight, or nobody is told.")
        )  # fmt: skip
    for priority, wanted_s in SEEN_MOST_S.items():
        seen_s = found.to_seen_s.get(priority)
        if seen_s is not None:
            made.append(
                Figure(f"Time until somebody saw it, priority {priority}", span_words(seen_s),
                       f"less than {span_words(wanted_s)}",
                       _judged(seen_s, wanted_s, 2.0 * wanted_s),
                       "Let alarms reach a phone: [alerts] in the bench file.")
            )  # fmt: skip
    return made


def _judged(value: float, wanted: float, act: float) -> Verdict:
    if value > act:
        return "act"
    return "watch" if value > wanted else "fine"


def _named(name: str, keys: Sequence[Key], place_words: Naming, advice: str) -> Figure:
    told = [_title(alarm, place, place_words) for alarm, place in dict.fromkeys(keys)]
    return Figure(name, ", ".join(told) or "none", "none", "act" if told else "fine", advice)


def _title(alarm: str, place: str, place_words: Naming) -> str:
    known = alarm_rows().get(alarm)
    return f"{alarm if known is None else known.title} ({place_words(place)})"
