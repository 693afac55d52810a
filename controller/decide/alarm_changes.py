"""What a bench file may change about alarms, and what it may not."""

from config.errors import ConfigError
from config.model import AlarmChange, Site
from config.near import near
from controller.decide.alarm_table import rows


class AlarmChangeError(ConfigError):
    """The bench file changes an alarm that there is not, or beyond what may be changed."""


def check_changes(site: Site) -> None:
    """Refuse what a bench file may not change about alarms.

    Raises AlarmChangeError, one line for each: an unknown name with the nearest known one, an alarm
    that is not of a bench, a limit outside what is allowed, a delay over four times the table's.
    """
    problems = [
        f"benches.{bench}.alarms.{name}: {problem}"
        for bench, plan in site.benches.items()
        for name, change in plan.alarms.items()
        for problem in _problems(name, change)
    ]
    if problems:
        raise AlarmChangeError("\n".join(problems))


def _problems(name: str, change: AlarmChange) -> list[str]:
    row = rows().get(name)
    if row is None:
        known = [row.name for row in rows().values() if row.scope in ("bay", "bench", "probe")]
        return [f"there is no such alarm{near(name, known)}; `warmfoot alarms table` lists them"]
    if row.scope in ("link", "site"):
        return [f"this alarm belongs to the {row.scope}, not to a bench, and cannot be changed"]
    found = []
    if change.limit is not None:
        if row.low is None or row.high is None:
            found.append(f"limit = {change.limit:g}: this alarm has no limit that can be changed")
        elif not row.low <= change.limit <= row.high:
            found.append(
                f"limit = {change.limit:g}: write a number from {row.low:g} to {row.high:g}; "
                f"without a change it is {row.threshold:g} (alarm when {row.limit})"
            )
    delays = (("on_delay_s", change.on_delay_s, row.on_delay_s),
              ("off_delay_s", change.off_delay_s, row.off_delay_s))  # fmt: skip
    for key, delay_s, usual_s in delays:
        longest_s = max(60.0, 4 * usual_s)
        if delay_s is not None and delay_s > longest_s:
            found.append(
                f"{key} = {delay_s:g}: write at most {longest_s:g}; "
                f"without a change it is {usual_s:g}"
            )
    return found
