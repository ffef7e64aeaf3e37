"""What a scanned code says.

Forms, lengths and the day 00 as the GS1 General Specifications have them; the examples of days are GS1 Denmark's page
on application identifiers (end of August 1999: 990800), the long code the usage example of a public parser.
"""

import datetime

import pytest

from shop.planning.pack_code import PackCode, read_pack_code

TODAY = datetime.date(2026, 3, 2)
GS = "\x1d"


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("(01)04150000021126(17)300331(10)ATF-2603", PackCode("ATF-2603", datetime.date(2030, 3, 31))),
        (
            f"]d20104150000021126172506302112345ABC{GS}10LOT42X",
            PackCode("LOT42X", datetime.date(2025, 6, 30)),
        ),
        (f"010415000002112610ATF-2603{GS}173003003153060000", PackCode("ATF-2603", datetime.date(2030, 3, 31), 60.0)),
        ("]C10104150000021126315200208010B7", PackCode("B7", None, 20.8)),
        ("(15)990800(10)OLD", PackCode("OLD", datetime.date(1999, 8, 31))),
        ("(17)000615(10)B", PackCode("B", datetime.date(2000, 6, 15))),
        ("10-24/A", PackCode("10-24/A", is_gs1=False)),
        (" ATF-2603\r\n", PackCode("ATF-2603", is_gs1=False)),
    ],
)  # fmt: skip
def test_a_code_is_read(code, said):
    assert read_pack_code(code, TODAY) == said


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("", "Nothing was scanned"), ("4150000021126", "article's number"), ("(17)301331(10)B", "is none"),
        ("]C1XY", "no GS1 code"), ("]C101041500000211263152", "breaks off"),
        ("x" * 41, "longer than a batch"), ("(3153)6O000(10)B", "volume “6O000” is none"),
        ("(315)60000(10)B", "type the size as the pack says"),
    ],
)  # fmt: skip
def test_a_code_that_says_nothing_is_refused_with_a_remedy(code, words):
    with pytest.raises(ValueError, match=words):
        read_pack_code(code, TODAY)
