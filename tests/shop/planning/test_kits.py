"""Kits: what is picked, what never is, and the sealant sums."""

import pytest

from shop.planning.kits import (
    BEAD_WASTE_FACTOR,
    FILTER_KINDS,
    SEAL_KINDS,
    KitLine,
    bead_ml,
    explode_kit,
    kit_questions,
    plug_bead_ml,
    resolve_forward,
    seals_to_have,
)

LINES = (
    KitLine("gloves", 3, "pair"),
    KitLine("washer 14", 1, "piece", plug_seal="crush washer"),
    KitLine("sealant", 0.5, "mL", plug_seal="tapered thread"),
    KitLine("filter", 1, "piece", is_filter=True),
    KitLine("hose clip", 2, "piece", method="cooler-line exchange"),
    KitLine("magnet", 1, "piece", finding="magnet cracked"),
    KitLine("breather", 1, "piece", every_nth=2),
)


def kit(seal="tapered thread", filter_kind="strip-down only", method="overnight drain", number=1, **more):
    return {
        item.part: item.quantity for item in explode_kit(LINES, method, seal, filter_kind, number, **more)
    }


def test_a_tapered_plug_takes_sealant_and_no_washer_and_a_buried_filter_is_never_picked():
    # Reference calculation: sealant 0.5 mL, no washer, no filter.
    assert kit() == {"gloves": 3, "sealant": 0.5}


def test_a_washer_is_taken_for_every_opening():
    assert kit(seal="crush washer", openings=2) == {"gloves": 3, "washer 14": 2}
    assert "washer 14" not in kit(seal="crush washer", openings=0)


@pytest.mark.parametrize(
    ("filter_kind", "is_picked"),
    [("serviceable", True), ("external", True), ("strip-down only", False), ("none", False)],
)
def test_a_filter_is_picked_only_where_it_can_be_changed(filter_kind, is_picked):
    assert ("filter" in kit(filter_kind=filter_kind)) is is_picked


def test_method_finding_and_turn_of_service_add_their_parts():
    full = kit(method="cooler-line exchange", number=4, findings={"magnet cracked"})
    assert full == {"gloves": 3, "sealant": 0.5, "hose clip": 2, "magnet": 1, "breather": 1}
    assert "breather" not in kit(number=3)


def test_the_same_part_from_two_lines_is_one_item_with_both_reasons():
    lines = (KitLine("wipes", 12, "piece"), KitLine("wipes", 6, "piece", method="machine exchange"))
    (item,) = explode_kit(lines, "machine exchange", None, "none", 1)
    assert (item.quantity, item.why) == (18, "always; method machine exchange")


def test_a_missing_part_number_is_asked_for_but_never_a_buried_filter():
    assert kit_questions(LINES, "tapered thread", "strip-down only") == ()
    assert len(kit_questions((), "crush washer", "serviceable")) == 2
    assert "How is the plug sealed" in kit_questions((), None, "strip-down only")[0]
    assert kit_questions((), "O-ring", "strip-down only") == (
        "Which part seals the plug (O-ring)? Add a kit line for it.",
    )


@pytest.mark.parametrize(
    ("seal", "openings", "pieces"),
    [  # common practice, no source
        ("crush washer", 1, 2),
        ("crush washer", 20, 21),
        ("crush washer", 21, 23),
        ("bonded washer", 20, 20),
        ("O-ring", 4, 4),
        ("reusable gasket", 10, 2),
        ("tapered thread", 10, 0),
        ("crush washer", 0, 0),
    ],
)
def test_spares_are_pooled(seal, openings, pieces):
    assert seals_to_have(seal, openings) == pieces


def test_bead_volumes_agree_with_the_reference():
    # Reference calculation: pan 1 180 mm with a 3 mm bead; plug of 20 mm, two turns of 2 mm.
    assert bead_ml(1180, 3) == pytest.approx(8.34, abs=0.005)
    assert plug_bead_ml(20) == pytest.approx(0.39, abs=0.005)
    assert plug_bead_ml(20, waste_factor=BEAD_WASTE_FACTOR) == pytest.approx(0.51, abs=0.005)


def test_replaced_numbers_are_followed_forward_only():
    replaced_by = {"A1": "A2", "A2": "A3"}
    assert resolve_forward("A1", replaced_by) == "A3"
    assert resolve_forward("A3", replaced_by) == "A3"
    with pytest.raises(ValueError, match="circle"):
        resolve_forward("A1", {"A1": "A2", "A2": "A1"})


def test_unknown_kinds_and_impossible_lines_are_refused():
    with pytest.raises(ValueError, match=SEAL_KINDS[0]):
        explode_kit(LINES, "overnight drain", "glue", "none", 1)
    with pytest.raises(ValueError, match=FILTER_KINDS[0]):
        explode_kit(LINES, "overnight drain", None, "paper", 1)
    with pytest.raises(ValueError, match="number 1"):
        explode_kit(LINES, "overnight drain", None, "none", 0)
    with pytest.raises(ValueError, match="above 0"):
        KitLine("washer", 0, "piece")
    with pytest.raises(ValueError, match="above 0 mm"):
        bead_ml(0, 3)
