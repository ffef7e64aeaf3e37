"""Boxes that could be on a card, for the property tests: any size of part, limits included."""

from hypothesis import assume
from hypothesis import strategies as st

from intervals.exchange.card import LEAST_PART_SHARE, UnitCard


def within(low, high):
    """A figure from a range, its two ends as often as all the rest."""
    return st.one_of(st.just(low), st.just(high), st.floats(low, high))


@st.composite
def boxes(draw, least_pickup_share=0.2):
    """A box with all parts, some small; nothing or all drains back, the cooler may be nothing or most of a fill."""
    sump_l, converter_l, passages_l = (
        draw(st.one_of(st.floats(0.8, 12.0), st.floats(0.08, 0.8))) for _ in range(3)
    )
    cooler_l = draw(st.sampled_from([0.0, 0.002, 0.3, 0.9, 3.0]))
    total_l = sump_l + converter_l + cooler_l + passages_l
    assume(min(sump_l, converter_l, passages_l) > 2.0 * LEAST_PART_SHARE * total_l)
    back_c, back_g = draw(within(0.0, 1.0)) * converter_l, draw(within(0.0, 1.0)) * passages_l
    heel_l = draw(within(0.0, 0.2)) * sump_l
    return UnitCard(
        total_fill_l=total_l, quick_drain_l=sump_l - heel_l,
        overnight_drain_l=sump_l - heel_l + back_c + back_g, sump_l=sump_l, converter_l=converter_l,
        cooler_l=cooler_l, passages_l=passages_l, heel_l=heel_l, converter_drainback_l=back_c,
        passages_drainback_l=back_g, pickup_l=least_pickup_share * sump_l,
        swirl_l=0.25 * least_pickup_share * sump_l, jug_mark_l=0.01,
    )  # fmt: skip
