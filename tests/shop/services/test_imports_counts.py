"""A count of the shelf or of a tank counts once, however often its file is loaded."""

import pytest

from shop.models import Depot, ImportRun, Product, StockItem, WasteTank
from tests.shop.services.small_fleet import FLEET, counts, load, sentences

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]
HEAD = "depot,product,label,pack_size_l,on_shelf_l\n"
TANKS = (
    "depot,stream,capacity_l,level_l,mean_per_day_l,sd_per_day_l,collector_lead_days\n"
    "UY,used oil,1000,300,42,24,5\n"
)


def use_half():
    StockItem.objects.update(on_shelf_l=10)


def on_shelf_l():
    return StockItem.objects.get(label="A1").on_shelf_l


def test_an_old_count_loaded_after_a_newer_one_is_left_alone(fleet):
    load({"stock.csv": HEAD + "UY,F01,A1,20,15\n"})
    assert on_shelf_l() == 15
    report = load(FLEET)
    assert counts(report)["stock.csv"]["unchanged"] == 1
    assert on_shelf_l() == 15


def test_a_count_that_found_the_books_right_is_known_again(fleet):
    same = {"stock.csv": FLEET["stock.csv"].replace("\n", "\r\n")}
    first = load(same)
    assert (counts(first)["stock.csv"]["unchanged"], first.is_written) == (1, False)
    use_half()
    load(same)
    assert on_shelf_l() == 10


def test_a_dry_run_does_not_make_a_count_old(fleet):
    newer = {"stock.csv": HEAD + "UY,F01,A1,20,15\n"}
    load(newer, is_dry_run=True)
    load(newer)
    assert on_shelf_l() == 15


def test_rows_refused_the_first_time_go_in_later_and_the_others_stay(fleet):
    both = {"stock.csv": HEAD + "UY,F01,A1,20,18\nUY,F77,B1,20,40\n"}
    assert len(sentences(load(both, mode="good-rows-in"))) == 1
    assert on_shelf_l() == 18
    use_half()
    load({"products.csv": "product,name\nF77,Long-life ATF\n"})
    again = load(both, mode="good-rows-in")
    assert (counts(again)["stock.csv"]["added"], counts(again)["stock.csv"]["unchanged"]) == (1, 1)
    assert (on_shelf_l(), StockItem.objects.get(label="B1").on_shelf_l) == (10, 40)


def test_the_level_of_a_tank_counts_once(fleet):
    load({"waste_tanks.csv": TANKS})
    WasteTank.objects.update(level_l=350)
    load({"waste_tanks.csv": TANKS})
    assert WasteTank.objects.get().level_l == 350
    load({"waste_tanks.csv": TANKS.replace("300", "20")})
    assert WasteTank.objects.get().level_l == 20


def test_an_import_keeps_the_hash_of_each_file(fleet):
    assert ImportRun.objects.get().file_sha256.keys() == FLEET.keys()
    assert {len(one) for one in ImportRun.objects.get().file_sha256.values()} == {64}
    assert (Depot.objects.count(), Product.objects.count()) == (2, 2)
