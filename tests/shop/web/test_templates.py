"""Rules every template keeps."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3] / "shop"
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
TABLE_FREE_OF_CAPTION = re.compile(r"<table(?![^>]*>\s*<caption)")


def named(path: Path) -> str:
    return path.name


@pytest.mark.parametrize("path", TEMPLATES, ids=named)
def test_no_inline_style_or_script(path):
    text = path.read_text()
    assert not re.search(r"\sstyle=|<style|\son[a-z]+=|hx-on|javascript:", text)
    assert not re.search(r"<script(?![^>]*src=)", text)


@pytest.mark.parametrize("path", TEMPLATES, ids=named)
def test_every_table_has_a_caption_and_scoped_headers(path):
    text = path.read_text()
    assert not TABLE_FREE_OF_CAPTION.search(text)
    assert not re.search(r"<th(?![a-z])(?![^>]*scope=)", text)


@pytest.mark.parametrize("path", [*TEMPLATES, *sorted((ROOT / "static").rglob("*.*"))], ids=named)
def test_nothing_is_fetched_from_elsewhere(path):
    text = path.read_text().replace("http://www.w3.org/2000/svg", "")
    assert "://" not in text
    assert "@import" not in text


@pytest.mark.parametrize("path", TEMPLATES, ids=named)
def test_the_words_of_the_trade(path):
    """Words that promise too much or belong to no open vocabulary."""
    assert not re.search(r"\bflush|lifetime fill|health score|100 % changed", path.read_text(), re.IGNORECASE)
