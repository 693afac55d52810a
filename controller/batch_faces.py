"""What a person reads of batches beside each other and of when they are due."""

from collections.abc import Sequence
from math import inf
from zoneinfo import ZoneInfo

from rich.console import Console

from config.shares import percent
from controller.faces import Rows, local_day, say
from controller.review.compare import Comparison, Overall, Pair, Standing
from controller.review.groups import Group
from controller.review.outlook import JUDGED_LEAST, Calibration, Outlook
from controller.review.proportions import wilson

SHIFT_DAYS = 0.75
"""A smaller shift by warmth is not worth a word."""


def due_in_words(due: Outlook, zone: ZoneInfo) -> str:
    """The window alone: "due 2026-03-12 to 2026-03-20"."""
    first, last = local_day(due.from_s, zone), local_day(due.to_s, zone)
    span = first if first == last else f"{first} to {last}"
    if due.rooted:
        return f"half had roots between {span}" if first != last else f"half had roots on {span}"
    return f"late: was due {span}" if due.late else f"due {span}"


def outlook_lines(due: Outlook, stuck_s: float, zone: ZoneInfo) -> list[str]:
    """The window, what it rests on, and what the base did to it."""
    days = [round((at_s - stuck_s) / 86400) for at_s in (due.from_s, due.to_s)]
    if due.rooted:
        return [f"{due_in_words(due, zone)} (day {days[0]} to {days[1]}), as the tests tell"]
    lines = [f"{due_in_words(due, zone)} (day {days[0]} to {days[1]}): {basis(due)}"]
    if due.late:
        sooner = "every batch like it had half of its cuttings rooted by then"
        lines.append(f"test now: {sooner if due.own else 'its usual days are over'}")
    if due.pace is not None:
        moved = due.shift_days
        shift = "" if abs(moved) < SHIFT_DAYS else (
            f": about {abs(moved):.0f} day{'s' if round(abs(moved)) != 1 else ''} "
            f"{'later' if moved > 0 else 'sooner'} for it"
        )  # fmt: skip
        lines.append(f"the base gave {percent(due.pace)} of the warmth of its target{shift}")
    return lines


def basis(due: Outlook) -> str:
    """What a window rests on, with n."""
    likes = due.likes
    beside = [f"{likes.running} still unrooted"] if likes.running else []
    beside += [f"{likes.failed} closed before half had roots"] if likes.failed else []
    if likes.noted:
        beside.insert(0, f"{likes.noted} from your notebook, by days alone")
    more = f" ({', '.join(beside)})" if beside else ""
    if not due.own:
        return f"the usual days of its recipe; {likes.rooted} like batches rooted so far{more}"
    share = (
        "" if due.share is None else f"about {percent(due.share)} of batches like it fall within; "
    )
    return f"{share}n = {likes.rooted} rooted batches of {likes.what}{more}"


def calibration_lines(own: Calibration, usual: Calibration) -> list[str]:
    """How often windows held; nothing for too few."""
    lines = []
    for found, what in ((own, "your own batches"), (usual, "the usual days")):
        if found.judged < JUDGED_LEAST:
            continue
        low, high = wilson(found.held, found.judged)
        lines.append(
            f"windows from {what} held for {found.held} of {found.judged} batches "
            f"({percent(low)} to {percent(high)}); {found.early} rooted sooner, {found.late} later"
        )
    return lines


def overall_line(found: Overall) -> str:
    """One value beside another over all plants."""
    return (
        f"over all plants, in {found.blocks} blocks of one plant stuck in one month: {found.value} "
        f"beside {found.beside}: {_BECAUSE.get(found.verdict, found.verdict)}: "
        f"{_points(found.difference)} points, chance {_chance(found.chance)} "
        f"({found.batches[0]} and {found.batches[1]} batches, dealt out within their blocks)"
    )


def compared_text(
    out: Console, found: Sequence[Comparison], overall: Sequence[Overall] = ()
) -> None:
    """Every comparison: its groups, then what can be told of the differences."""
    for whole in overall:
        say(out, overall_line(whole), style="bold")
    if overall:
        say(out)
    for one in found:
        say(out, f"by {one.by}: {one.like}", style="bold")
        rows = Rows(
            out, one.by, "batches", "rooted", "strike rate (95 %)", "half rooted", "base",
            "warmth a day", "hours cold/hot",
        )  # fmt: skip
        for group in one.groups:
            rows.add_row(*_cells(group))
        rows.show()
        for group in one.groups:
            if group.curve:
                say(out, f"  {group.value}, with roots: {_curve(group)}")
        for pair in one.pairs:
            say(out, f"  {told(pair)}")
        say(out)


def _cells(group: Group) -> tuple[str, ...]:
    strike = "no result yet"
    if group.strike is not None and group.low is not None and group.high is not None:
        strike = f"{percent(group.strike)} ({percent(group.low)} to {percent(group.high)})"
    still = f" ({group.open} open)" if group.open else ""
    cold = None if group.cold_h is None or group.hot_h is None else (group.cold_h, group.hot_h)
    return (
        group.value,
        f"{len(group.batches)}{still}",
        f"{group.rooted} of {group.cuttings}",
        strike,
        half_in_words(group),
        "not known" if group.base_c is None else f"{group.base_c:.1f} °C",
        "not known" if group.warmth_kh_day is None else f"{group.warmth_kh_day:.0f} °Ch",
        "not known" if cold is None else f"{cold[0]:.0f}/{cold[1]:.0f}",
    )


def half_in_words(group: Group) -> str:
    """When half of the batches had half rooted, and of how many that is known."""
    if group.half is None:
        return "not reached"
    after, by = group.half
    days = "not reached" if by == inf else f"day {after:.0f} to {by:.0f}"
    return f"{days} (n {group.half_n})"


def _curve(group: Group) -> str:
    return ", ".join(f"day {p.day:.0f} {percent(p.rooted)} (n {p.at_risk})" for p in group.curve)


_BECAUSE = {
    "differ": "they differ",
    "these batches differ": "these batches differ, but so few can't say what made it",
}


def told(pair: Pair) -> str:
    """One group beside another in a sentence."""
    if pair.low is None or pair.high is None:
        return f"{pair.value} beside {pair.beside}: too few to tell, one has no result yet"
    span = f"{_points(pair.low)} to {_points(pair.high)} points"
    chance = ""
    if pair.chance is not None:
        dealt = "whole batches dealt out" if pair.test == "batches" else "Fisher, by cuttings"
        chance = f", chance {_chance(pair.chance)} ({dealt})"
    notes = f"; {' and '.join(pair.notes)}" if pair.notes else ""
    verdict = _BECAUSE.get(pair.verdict, pair.verdict)
    if pair.verdict == "too few to tell" and (pair.low > 0.0 or pair.high < 0.0):
        verdict = "too few batches to tell"
    return f"{pair.value} beside {pair.beside}: {verdict}: {span}{chance}{notes}"


def _chance(chance: float) -> str:
    return "< 0.001" if chance < 0.001 else f"{chance:.3f}"


def _points(share: float) -> str:
    points = round(share * 100)
    return f"{points:+d}" if points else "0"


def standing_lines(found: Standing) -> list[str]:
    """A batch beside the ones like it."""
    others, own = found.others, found.own
    if others is None or others.strike is None or others.low is None or others.high is None:
        return ["no closed batch of the same plant and kind to compare with"]
    count = f"{others.closed} like batch{'es' if others.closed != 1 else ''}"
    said = f"beside {count}: {found.verdict}"
    if own.strike is not None:
        said += f": strike rate {percent(own.strike)}, theirs {percent(others.strike)}"
    else:
        said += f": theirs had a strike rate of {percent(others.strike)}"
    said += f" ({percent(others.low)} to {percent(others.high)}"
    if found.least is not None and found.most is not None and others.closed > 1:
        said += f"; single ones {percent(found.least)} to {percent(found.most)}"
    lines = [f"{said})", f"half rooted {half_in_words(own)}, theirs {half_in_words(others)}"]
    if own.base_c is not None and others.base_c is not None:
        lines[-1] += f"; base {own.base_c:.1f} °C, theirs {others.base_c:.1f} °C"
    return lines
