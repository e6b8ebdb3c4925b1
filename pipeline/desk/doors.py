"""Who may come in: one-time tokens, the cookie one becomes, and the token of each form."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import field

from schemas.record import dataclass

MOST_WAITING = 20
"""One-time links that may wait unused; the oldest is forgotten."""


@dataclass
class Visitor:
    """One browser that came in; `by`: the token of whoever works in it, None until it is named."""

    secret: str
    by: str | None = None


@dataclass
class Doors:
    """The secrets of one run, all in memory: they end with it."""

    port: int
    by: str | None = None
    _waiting: list[str] = field(default_factory=list)
    _visitors: dict[str, Visitor] = field(default_factory=dict)

    @property
    def cookie(self) -> str:
        """The cookie's name, which the port is part of: two desks do not share one."""
        return f"tailrace-desk-{self.port}"

    @property
    def origin(self) -> str:
        """The one origin that is answered."""
        return f"http://127.0.0.1:{self.port}"

    def new_link(self) -> str:
        """An address that lets one browser in, once."""
        token = secrets.token_urlsafe(32)
        self._waiting = [*self._waiting[-(MOST_WAITING - 1) :], token]
        return f"{self.origin}/enter?token={token}"

    def enter(self, token: str) -> str | None:
        """The cookie for a one-time token, which is used up; None for any other."""
        for known in self._waiting:
            if hmac.compare_digest(known.encode(), token.encode("utf-8", "replace")):
                self._waiting.remove(known)
                cookie = secrets.token_urlsafe(32)
                self._visitors[_digest(cookie)] = Visitor(secrets.token_urlsafe(32), self.by)
                return cookie
        return None

    def visitor(self, cookie: str) -> Visitor | None:
        """Whose cookie it is; None for a strange one."""
        return self._visitors.get(_digest(cookie))


def form_token(visitor: Visitor, path: str) -> str:
    """The token that the visitor's form to `path` carries."""
    return hmac.new(visitor.secret.encode(), path.encode(), hashlib.sha256).hexdigest()


def is_form_token(visitor: Visitor, path: str, given: str) -> bool:
    """Whether a form to `path` carries its token."""
    return hmac.compare_digest(form_token(visitor, path).encode(), given.encode("utf-8", "replace"))


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "replace")).hexdigest()
