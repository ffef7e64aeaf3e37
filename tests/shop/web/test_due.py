"""The due list: working order, filters in the address, rows alone for a filter changed in place."""

import csv
import io
import re

from shop.models import DueLine
from shop.web import due as due_page


def numbers(answer) -> list[str]:
    return re.findall(r'href="/vehicles/(\w+)"', answer.content.decode())


def test_what_needs_action_comes_in_working_order(foreman):
    assert numbers(foreman.get("/due")) == ["K02", "K08", "K01", "K40"]


def test_must_not_move_comes_first(foreman, yard):
    DueLine.objects.filter(vehicle__number="K01").update(must_not_move=True, overlays=["must not move"])
    assert numbers(foreman.get("/due"))[0] == "K01"


def test_the_switch_shows_everything(foreman):
    assert set(numbers(foreman.get("/due?show=everything"))) == {"K01", "K02", "K08", "K13", "K40"}
    assert numbers(foreman.get("/due?show=not+yet")) == ["K13"]


def test_a_row_says_how_far_when_by_which_clock_and_why(foreman, yard):
    page = foreman.get("/due").content.decode()
    assert "<strong>95\u202f%</strong>, 3\u202f000\u00a0km left" in page
    assert ">22\u00a0Mar</strong>" in page  # 3 000 km at 150 a day from 2 March: reference calculation
    assert "by distance" in page
    assert yard.line("K01").sentence.replace("57 000", "57\u202f000").replace("60 000", "60\u202f000") in page


def test_cannot_say_is_never_shown_as_zero(foreman):
    row = foreman.get("/due?show=cannot+say").content.decode()
    assert "K40" in row
    assert "0\u202f%" not in row
    assert 'class="marker"' not in row


def test_filters_narrow_by_words_overlay_depot_and_date(foreman, yard):
    DueLine.objects.filter(vehicle__number="K01").update(overlays=["on hold"])
    assert numbers(foreman.get("/due?text=k02")) == ["K02"]
    assert numbers(foreman.get("/due?text=k02+nothing")) == []
    assert numbers(foreman.get("/due?overlay=on+hold")) == ["K01"]
    assert numbers(foreman.get(f"/due?depot={yard.depot.code}&kind=axle")) == []
    yard.add("K22", 58_500)
    yard.run()
    assert numbers(foreman.get("/due?only=falls+due+within+14+days")) == ["K22"]


def test_a_value_that_is_no_choice_does_not_narrow(foreman):
    page = foreman.get("/due?show=x'&overlay=%22&depot=ZZ&page=900&text=%00")
    assert page.status_code == 200
    assert numbers(page) == ["K02", "K08", "K01", "K40"]


def test_a_filter_changed_in_place_brings_rows_and_moves_the_address(foreman):
    answer = foreman.get("/due?show=late&text=&kind=", headers={"HX-Request": "true"})
    assert answer["HX-Push-Url"] == "/due?show=late"
    assert "<html" not in answer.content.decode()
    assert numbers(answer) == ["K02"]
    assert "HX-Request" in answer["Vary"]


def test_going_back_brings_the_whole_page(foreman):
    headers = {"HX-Request": "true", "HX-History-Restore-Request": "true"}
    assert "<html" in foreman.get("/due?show=late", headers=headers).content.decode()


def test_pages_keep_the_filters(foreman, monkeypatch):
    monkeypatch.setattr(due_page, "ROWS_PER_PAGE", 2)
    first = foreman.get("/due?text=K")
    assert numbers(first) == ["K02", "K08"]
    assert "?text=K&amp;page=2" in first.content.decode()
    assert numbers(foreman.get("/due?text=K&page=2")) == ["K01", "K40"]


def test_the_csv_file_holds_what_the_filters_keep_and_runs_nothing(foreman, yard):
    vehicle = yard.line("K02").vehicle
    vehicle.name = "@sum"
    vehicle.save()
    answer = foreman.get("/due.csv?show=late")
    rows = list(csv.DictReader(io.StringIO(answer.getvalue().decode())))
    assert [row["vehicle"] for row in rows] == ["K02"]
    assert (rows[0]["why"], rows[0]["vehicle_name"]) == (yard.line("K02").sentence, "'@sum")
    assert float(rows[0]["used_share"]) == yard.line("K02").used_share
