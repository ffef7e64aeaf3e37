"""What the demo loads is noted on its own day, so that no stock was counted after the day the pages stand on."""

import datetime

import pytest
from django.core.management import call_command

from notifications.management.commands.demo import Command
from shop import clock
from shop.models import StockMovement

DEPOTS = "depot,name,time_zone\nUY,Upper Yard,{zone}\n"
FILES = {
    "products.csv": "product,name,family\nF01,ATF,lubricating oil\n",
    "stock.csv": "depot,product,label,pack_size_l,on_shelf_l\nUY,F01,A1,20,20\n",
    "as_of.txt": "2026-03-02 05:30\n",
}


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("zone", "noted"),
    [
        ("Europe/Berlin", datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC)),
        ("UTC", datetime.datetime(2026, 3, 2, 5, 30, tzinfo=datetime.UTC)),
    ],
)
def test_what_is_loaded_is_noted_on_the_folder_s_day(tmp_path, monkeypatch, zone, noted):
    for name, text in (FILES | {"depots.csv": DEPOTS.format(zone=zone)}).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.setattr(Command, "_use_own_file", lambda *args, **kwargs: None)
    try:
        call_command("demo", data=tmp_path, no_serve=True, verbosity=0)
        assert StockMovement.objects.get().moved_at == noted
        assert clock.now() == noted
    finally:
        clock.pin(None)
