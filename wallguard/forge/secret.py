"""A token: sent to the forge, and never shown."""

from __future__ import annotations

import base64
from urllib.parse import quote

_HIDDEN = "[hidden]"


class Secret:
    """A token that shows itself to nobody who does not ask with `reveal`."""

    def __init__(self, token: str) -> None:
        self._token = token

    def reveal(self) -> str:
        """The token itself."""
        return self._token

    def hidden_in(self, text: str) -> str:
        """The text with the token, in any spelling that a message may hold, hidden."""
        if not self._token:
            return text
        data = self._token.encode("utf-8", "surrogateescape")
        encoded = base64.b64encode(data).decode("ascii")
        spellings = {self._token, quote(data, safe=""), repr(self._token)[1:-1], encoded}
        for spelling in sorted(spellings, key=len, reverse=True):
            text = text.replace(spelling, _HIDDEN)
        return text

    def __repr__(self) -> str:
        return f"Secret({_HIDDEN})"
