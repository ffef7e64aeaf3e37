"""Codes that stand in the addresses of pages."""

from django.core.exceptions import ValidationError


def in_addresses(code: str) -> None:
    """Refuse a code that cannot stand in an address as one part of it."""
    parts_an_address = "/" in code or "\\" in code or code in {".", ".."}
    if parts_an_address or code != code.strip() or not code.isprintable():
        raise ValidationError(
            f"“{code}” stands in addresses; write it without slash, hidden character or blank at either end."
        )
