"""A new batch beside an older one under one mister: the grower is told, once, in `status`."""

import pytest

from config.recipes import recipe_for
from controller.decide.sharing import mist_advice
from controller.records import Batch
from sensors.clock import Now

NOW = Now(1_771_243_200.0, 100.0)


def batch(number: int, phase: str, bay: str = "left", kind: str = "softwood") -> Batch:
    stuck_s = NOW.utc_s - 2 * 86400.0
    return Batch(
        number, "Fuchsia hybrids", kind, "north", bay, "1", 100, stuck_s,
        recipe_for(kind, None).model_dump_json(), "hash", phase, stuck_s, None, {},
    )  # fmt: skip


def advice(*batches: Batch) -> str:
    return mist_advice(batches, "north", ("left", "right"), NOW)


@pytest.mark.parametrize(
    "batches",
    [
        [],
        [batch(1, "stick")],
        [batch(1, "stick"), batch(2, "stick", "right")],
        [batch(1, "callus"), batch(2, "root")],
        [batch(1, "stick"), batch(2, "callus", kind="hardwood")],
    ],
)
def test_nothing_is_said_where_all_want_the_same_or_have_no_leaves(batches: list[Batch]) -> None:
    assert advice(*batches) == ""


def test_a_callused_batch_kept_wet_by_a_new_one_is_told_in_whichever_bay() -> None:
    said = advice(batch(1, "callus"), batch(2, "stick", "right"))
    assert said.startswith("batch 2 Fuchsia hybrids keeps the mist frequent; batch 1 Fuchsia")
    assert "move it under another mister, or watch its leaves for mould" in said


def test_several_are_named_together() -> None:
    said = advice(batch(1, "callus"), batch(3, "root"), batch(2, "stick"))
    assert "batch 1 Fuchsia hybrids and batch 3 Fuchsia hybrids" in said
    assert "move them" in said


def test_batches_of_another_bench_do_not_count() -> None:
    assert mist_advice([batch(1, "callus"), batch(2, "stick")], "south", ("left",), NOW) == ""
