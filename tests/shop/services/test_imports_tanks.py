"""Rooms, containers and tanks from CSV files."""

import datetime

import pytest
from django.db.models import Sum

from shop.models import BulkTank, StoreRoom, TankDip, TankMark, WasteMovement, WasteTank
from tests.shop.services.small_fleet import load, sentences

DEPOTS = "depot,name,time_zone\nUY,Upper Yard,Europe/Berlin\n"
BASE = {
    "depots.csv": DEPOTS,
    "products.csv": "product,name,family\nF10,Engine oil,lubricating oil\n",
    "stock.csv": "depot,product,label,pack_size_l,on_shelf_l\nUY,F10,T1 tank,1500,880\n",
    "tanks.csv": "tank,depot,product,label,name,capacity_l\nT1,UY,F10,T1 tank,engine oil,1500\n",
    "tank_marks.csv": "tank,mm,litres\nT1,0,0\nT1,1200,1500\n",
    "tank_dips.csv": "tank,dipped_at,mm,litres,temp_c,book_l,delivered_l,issued_l,note\n"
    "T1,2026-02-27 15:00,801,851.3,12,880,720,420,by Arno\n",
}
TANKS = (
    "depot,stream,place,waste_code,capacity_l,level_l,mean_per_day_l,sd_per_day_l,collector_lead_days\n"
    "UY,used oil,behind B6,13 02 05*,1000,630,42,24,5\n"
)


@pytest.mark.django_db
def test_a_tank_its_table_and_its_dips_are_loaded_once():
    for _ in range(2):
        assert sentences(load(BASE)) == []
    tank = BulkTank.objects.get()
    assert (tank.code, tank.item.label, tank.capacity_l) == ("T1", "T1 tank", 1500)
    assert TankMark.objects.count() == 2
    dip = TankDip.objects.get()
    # 15:00 in Berlin in winter is 14:00 UTC.
    assert dip.dipped_at == datetime.datetime(2026, 2, 27, 14, 0, tzinfo=datetime.UTC)
    assert (dip.litres, dip.temp_c, dip.book_l, dip.delivered_l, dip.issued_l) == (851.3, 12, 880, 720, 420)


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("tanks.csv", "T1 tank,engine", "T2 tank,engine", "no such stock"),
        ("tanks.csv", "oil,1500", "oil,800", "cannot be smaller"),
        ("tank_dips.csv", "851.3", "1501", "do not stand"),
        ("tank_dips.csv", "T1,2026", "T7,2026", "no bulk tank “T7”"),
        ("tank_dips.csv", ",12,", ",412,", "150 at most"),
        ("tank_marks.csv", "T1,0,0", "T1,-1,0", "too small"),
    ],
)
@pytest.mark.django_db
def test_a_row_that_cannot_be_is_refused_with_its_remedy(file, old, new, said):
    report = load(BASE | {file: BASE[file].replace(old, new)})
    assert any(said in sentence for sentence in sentences(report)), sentences(report)


@pytest.mark.django_db
def test_a_loaded_level_is_a_movement_and_its_stream_is_one_of_the_house():
    assert sentences(load({"depots.csv": DEPOTS, "waste_tanks.csv": TANKS})) == []
    tank = WasteTank.objects.get()
    assert (tank.place, tank.waste_code) == ("behind B6", "13 02 05*")
    assert [(own.litres, own.reason) for own in WasteMovement.objects.all()] == [(630, "loaded")]
    load({"waste_tanks.csv": TANKS.replace("630", "20")})
    assert WasteMovement.objects.aggregate(total=Sum("litres"))["total"] == 20
    report = load({"waste_tanks.csv": TANKS.replace("used oil", "used oils")})
    assert any("Did you mean “used oil”" in sentence for sentence in sentences(report))


@pytest.mark.django_db
def test_a_room_and_what_stands_in_it_are_loaded_and_changed():
    depots = DEPOTS.replace("time_zone", "time_zone,stores_at").replace("Berlin", "Berlin,")
    base = {
        "depots.csv": depots + "LY,Lower Yard,Europe/Berlin,UY\n",
        "products.csv": BASE["products.csv"] + "F11,B,coolant\n",
    }
    for most_l, products, held in ((500, "F10;F11", 2), (400, "F11", 1)):
        rooms = f"depot,room,most_l,products\nUY,Bund,{most_l},{products}\n"
        assert sentences(load(base | {"rooms.csv": rooms})) == []
        room = StoreRoom.objects.get()
        assert (room.most_l, room.products.count()) == (most_l, held)
    for wrong, said in (
        ("LY,Bund,5,F10", "no shelf of its own"),
        ("UY,Bund,0,F10", "more than 0"),
        ("UY,Bund,5,F99", "F99"),
    ):
        report = load(base | {"rooms.csv": f"depot,room,most_l,products\n{wrong}\n"})
        assert any(said in one for one in sentences(report)), sentences(report)
