"""`manage.py mails_send`: send the mails that wait, or one of them again."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from notifications.services.sending import mail_send_again, mails_send
from shop.errors import ApplicationError


class Command(BaseCommand):
    """Send what is in the outbox."""

    help = "Sends the mails that wait. A mail that is unsure or failed goes out again only with --again."

    def add_arguments(self, parser: CommandParser) -> None:
        """Add how many, and which one to send again."""
        parser.add_argument("--limit", type=int, default=100, help="send at most so many (100)")
        parser.add_argument(
            "--again", type=int, metavar="ID", help="send this failed or unsure mail once more"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Send and say how many went where."""
        try:
            report = (
                mails_send(options["limit"])
                if options["again"] is None
                else mail_send_again(options["again"])
            )
        except ApplicationError as error:
            raise CommandError(error.sentence) from error
        self.stdout.write(
            f"sent {report.sent}, put back {report.put_back}, failed {report.failed}, unsure {report.unsure}"
        )
