"""Near misses."""

from config.near import near, nearest


def test_nearest_forgives_case_hyphens_and_a_slip() -> None:
    kinds = ["softwood", "semi_ripe", "leaf_bud"]
    assert nearest("Semi-Ripe", kinds) == "semi_ripe"
    assert nearest("sofwood", kinds) == "softwood"
    assert near("leaf bud", kinds) == " (did you mean leaf_bud?)"


def test_nothing_is_suggested_for_a_word_that_is_far() -> None:
    assert nearest("xyz", ["softwood"]) is None
    assert near("xyz", ["softwood"]) == ""
    assert near("xyz", []) == ""


def test_long_nonsense_is_compared_quickly() -> None:
    assert nearest("a" * 1_000_000, ["softwood"]) is None
