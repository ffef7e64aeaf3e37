#!/usr/bin/env python
"""Hatchmark's commands; `python manage.py help` lists them."""

import os
import sys


def main() -> None:
    """Run one command with the project's settings."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
    try:
        from django.core.exceptions import ImproperlyConfigured
        from django.core.management import execute_from_command_line
    except ImportError as error:
        raise SystemExit(
            "Django is not installed here. Make the environment first: see “Two commands” in README.md."
        ) from error
    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
