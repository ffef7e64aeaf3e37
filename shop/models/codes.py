"""Codes that stand in the addresses of pages."""

from django.core.validators import RegexValidator

in_addresses = RegexValidator(
    r"^[^/\\\x00-\x1f\x7f]+\Z", "A code stands in addresses: write it without slash or hidden character."
)
