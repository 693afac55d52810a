"""Warmfoot's own state and alarms as MQTT payloads, and the hand that gives them to the link.

State and the alarms that stand are retained, because they are what is so now; each says when it was
so, and a reader judges its age by that. Orders are never published here.
"""

import json
from collections.abc import Iterable, Mapping
from typing import Any, Final, Protocol, runtime_checkable

from config.model import Site
from controller.records import AlarmRow

STATE: Final = "state"
ALARMS: Final = "alarms"
ALARM: Final = "alarm"
EVERY_S: Final = 10.0


@runtime_checkable
class PublishingLink(Protocol):
    """A link that can also publish news of our own."""

    def publish(self, topic_suffix: str, payload: str, retain: bool) -> bool:
        """False when it could not be taken."""
        ...


def state_payload(picture: Mapping[str, Any]) -> str:
    """The whole picture (see controller.live) as strict JSON."""
    return json.dumps(picture, allow_nan=False, separators=(",", ":"))


def alarms_payload(picture: Mapping[str, Any]) -> str:
    """The alarms that stand, with the time they stood, as strict JSON."""
    data = {"at_utc_s": picture["at_utc_s"], "alarms": picture["alarms"]}
    return json.dumps(data, allow_nan=False, separators=(",", ":"))


def alarm_payload(row: AlarmRow) -> str:
    """One change of an alarm's state as strict JSON. at_utc_s: when it changed."""
    data = {"at_utc_s": round(row.at_s, 1), **row.change._asdict()}
    return json.dumps(data, allow_nan=False, separators=(",", ":"))


class Publisher:
    """Publishes on the link that the bench file names under `publish`; without one, nothing."""

    def __init__(self, site: Site, links: Mapping[str, Any]) -> None:
        link = links.get(site.publish) if site.publish is not None else None
        self._link = link if isinstance(link, PublishingLink) else None
        self._state_utc_s = float("-inf")
        self._waiting: list[AlarmRow] = []

    def publish(self, picture: Mapping[str, Any], changes: Iterable[AlarmRow]) -> None:
        """Give out the state, at most every EVERY_S or at once with a change, and every change.

        Changes wait while the broker is away, at most the last hundred. Never blocks.
        """
        if self._link is None:
            return
        self._waiting = [*self._waiting, *changes][-100:]
        at_s = float(picture["at_utc_s"])
        if not self._waiting and 0.0 <= at_s - self._state_utc_s < EVERY_S:
            return
        if not self._link.publish(STATE, state_payload(picture), True):
            return
        self._state_utc_s = at_s
        self._link.publish(ALARMS, alarms_payload(picture), True)
        while self._waiting and self._link.publish(ALARM, alarm_payload(self._waiting[0]), False):
            del self._waiting[0]
