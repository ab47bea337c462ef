"""What every request passes before it is heard: who asks, for which host, and how much is sent."""

from __future__ import annotations

import hmac
from dataclasses import dataclass

from starlette.datastructures import Headers, QueryParams
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "newel"
CHANGES = {"POST", "PUT", "DELETE", "PATCH"}
OUR_HEADER = "x-newel"  # a page from elsewhere can't send it without asking first, and is never allowed to

SAFE_HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; object-src 'self'; frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass(frozen=True)
class Admission:
    """Who may ask: `hosts` that the Host header may name (with port), and the token (None: none is asked for)."""

    hosts: frozenset[str]
    token: str | None = None


class Guard:
    """ASGI middleware: the host must be ours (no rebinding of names), changes must come from our page, the token must fit."""

    def __init__(self, app: ASGIApp, admission: Admission) -> None:
        """Stand before `app`."""
        self.app, self.admission = app, admission

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hear a request, or refuse it in one line."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        refused = self._refusal(scope)
        if refused is not None:
            await refused(scope, receive, _with_safe_headers(send))
            return
        await self.app(scope, receive, _with_safe_headers(send))

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "").lower()
        if host not in self.admission.hosts:
            return PlainTextResponse("this server is not known by that name", 421)
        if scope["method"] in CHANGES:
            origin = headers.get("origin")
            if origin is not None and origin.lower() not in (f"http://{host}", f"https://{host}"):
                return PlainTextResponse("changes are taken from this page only", 403)
            if OUR_HEADER not in headers:
                return PlainTextResponse("changes are taken from this page only", 403)
        if self.admission.token is None:
            return None
        given = QueryParams(scope["query_string"].decode("latin-1")).get("token")
        if given is not None and scope["path"] == "/" and hmac.compare_digest(given.encode(), self.admission.token.encode()):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(COOKIE, self.admission.token, httponly=True, samesite="strict")
            return answer
        kept = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")
        if hmac.compare_digest(kept.encode(), self.admission.token.encode()):
            return None
        return PlainTextResponse("open the address that 'newel open' printed: it carries the token", 401)


def _with_safe_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [(name.encode(), value.encode()) for name, value in SAFE_HEADERS.items()]
            message = {**message, "headers": [*message["headers"], *own]}
        await send(message)

    return sent
