"""A mail server for tests: it really speaks SMTP and keeps what it is handed."""

import email
from email.message import Message
from email.policy import default as default_policy
from typing import Any


class Inbox:
    """A mail server's side: keeps what it is handed, or answers with a refusal."""

    def __init__(self) -> None:
        self.mails: list[Message] = []
        self.answer = "250 Kept"

    async def handle_DATA(self, server: object, session: object, envelope: Any) -> str:
        if self.answer.startswith("250"):
            self.mails.append(email.message_from_bytes(envelope.content, policy=default_policy))
        return self.answer
