"""The table of probe kinds."""

from typing import get_args

from config import bounds
from config.model import ProbeKind
from sensors.kinds import KINDS


def test_every_kind_of_the_bench_file_is_known() -> None:
    assert set(KINDS) == set(get_args(ProbeKind))


def test_limits_are_the_right_way_round() -> None:
    for kind in KINDS.values():
        assert kind.low < kind.high
        assert kind.largest_step > 0
        assert kind.rise_per_s >= 0


def test_a_base_above_the_ceiling_can_be_believed() -> None:
    """A probe that cannot report what must trip the heat would be no guard."""
    assert KINDS["base_temperature"].high > bounds.BASE_CEILING_C
