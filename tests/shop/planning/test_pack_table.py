"""One price list, many needs: the same packs as choosing for every need alone."""

from decimal import Decimal

import numpy as np
import pytest

from shop.planning.pack_table import PackTable
from shop.planning.packs import Pack, choose_packs

LITRES = (
    Pack(1.0, Decimal("9.50"), "can"),
    Pack(5.0, Decimal("41.00"), "canister"),
    Pack(20.0, Decimal("148.00"), "pail", breaks=((3, Decimal("139.00")),)),
    Pack(60.0, Decimal("414.00"), "keg"),
    Pack(208.0, Decimal("1290.00"), "drum"),
)
ODD = (Pack(0.946, Decimal("8.20"), "quart"), Pack(4.0, Decimal("31.00"), "can", multiple=4))


@pytest.mark.parametrize("packs", [LITRES, ODD], ids=["litres", "odd sizes"])
def test_the_table_buys_what_the_search_buys(packs):
    rng = np.random.default_rng(7)
    needs_l = np.concatenate([rng.uniform(0.0, 90.0, 60), [0.001, 1.0, 5.0, 20.0, 20.0001, 207.9, 416.0]])
    table = PackTable(packs)
    for need_l, step in zip(needs_l.tolist(), table.steps(needs_l).tolist(), strict=True):
        alone = choose_packs(need_l, packs)
        assert (table.choice(step).packs, table.choice(step).price) == (alone.packs, alone.price), need_l
    assert table.prices(needs_l)[:5].tolist() == [float(choose_packs(x, packs).price) for x in needs_l[:5]]


def test_no_need_buys_nothing_and_an_unknown_need_is_not_none():
    table = PackTable(LITRES)
    assert table.choice(int(table.steps([0.0])[0])).status == "need is zero"
    assert table.choice(int(table.steps([float("nan")])[0])).status == "cannot say"
    assert np.isnan(table.prices([float("nan"), 3.0])).tolist() == [True, False]


def test_an_empty_price_list_is_refused():
    with pytest.raises(ValueError, match="add a pack"):
        PackTable(())
