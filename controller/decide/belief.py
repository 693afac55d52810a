"""The base of a bay as it may be acted on: without probes that are known to be frozen.

The snapshot judges samples; that a probe repeats itself against all that its bay teaches is known
only to the alarms, and holds as long as that alarm stands.
"""

from collections.abc import Mapping

from controller.decide.guards import stands
from controller.decide.state import AlarmState
from sensors.readings import BayView
from sensors.snapshot import base_of


def believed(view: BayView, alarms: Mapping[tuple[str, str], AlarmState]) -> BayView:
    """The view with frozen probes left out of `base_c` and `usable`; itself if there are none.

    `hottest_c` stays that of all: a guard rather trips on a probe that may be wrong.
    """
    frozen = [probe for probe in view.probes if _is_frozen(probe.reading.probe, alarms)]
    if not frozen:
        return view
    left_c = sorted(
        probe.reading.value for probe in view.probes if probe not in frozen and probe.reading.usable
    )
    return view._replace(base_c=base_of(left_c), usable=len(left_c))


def _is_frozen(probe: str, alarms: Mapping[tuple[str, str], AlarmState]) -> bool:
    alarm = alarms.get(("probe_frozen", probe))
    return alarm is not None and stands(alarm)
