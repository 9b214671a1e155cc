"""Who may use the desk: a start link that works once, a cookie, and the checks of every request.

The desk listens on the loopback only, but any web page open in the same browser can send requests there. So
each one must name the desk as its host, must not come from another origin, must bring the cookie that the
start link gave, and, to change anything, the secret that only the desk's own forms know.

References
----------
OWASP Cross-Site Request Forgery Prevention Cheat Sheet (origin check, token in the form); W3C Fetch Metadata
Request Headers (``Sec-Fetch-Site``); RFC 6265bis (``SameSite``, ``HttpOnly``).
"""

from __future__ import annotations

import hmac
import secrets
from html import escape
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["POLICY", "SECRET_FIELD", "Guard", "Session", "refusal_html"]

SECRET_FIELD = "form_secret"  # noqa: S105  (the name of a field)
"""Hidden field that every form of the desk brings, first of all its fields."""

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-src 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
"""What a page of the desk may load and send: nothing but the desk's own."""

_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    # Not "no-referrer": a browser would then call the origin of the desk's own forms "null".
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(self)",
}

# What a page needs before anybody is let in: how it looks.
_OPEN_PATHS = ("/start", "/assets/")


class Session:
    """The secrets of one run of the desk.

    Parameters
    ----------
    port : int
        Where the desk listens; part of the cookie's name, because cookies do not heed ports.
    """

    def __init__(self, port: int) -> None:
        self.port = port
        self.cookie_name = f"washgrade-desk-{port}"
        self.form_secret = secrets.token_urlsafe(32)
        self._cookie = secrets.token_urlsafe(32)
        self._token: str | None = secrets.token_urlsafe(32)

    @property
    def start_path(self) -> str:
        """Path and query of the start link; empty once it was used."""
        return "" if self._token is None else f"/start?token={self._token}"

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names that a request may call the desk by."""
        return tuple(f"{name}:{self.port}" for name in ("127.0.0.1", "localhost"))

    @property
    def origins(self) -> tuple[str, ...]:
        """Origins of the desk's own pages."""
        return tuple(f"http://{host}" for host in self.hosts)

    def open_with(self, token: str) -> str:
        """Exchange the token of the start link for the cookie; this works once.

        Parameters
        ----------
        token : str
            What the link brought.

        Returns
        -------
        str
            Value of the header ``Set-Cookie``; empty where the token is wrong or was used.
        """
        if self._token is None or not hmac.compare_digest(token.encode(), self._token.encode()):
            return ""
        self._token = None
        return f"{self.cookie_name}={self._cookie}; Path=/; HttpOnly; SameSite=Strict"

    def knows(self, cookies: str) -> bool:
        """Say whether a request brings the cookie.

        Parameters
        ----------
        cookies : str
            Its header ``Cookie``.

        Returns
        -------
        bool
            True for the browser that used the start link.
        """
        try:
            found = SimpleCookie(cookies).get(self.cookie_name)
        except CookieError:
            return False
        return found is not None and hmac.compare_digest(found.value.encode(), self._cookie.encode())

    def is_own_form(self, secret: str) -> bool:
        """Say whether a form is one of the desk's own.

        Parameters
        ----------
        secret : str
            What it brought in `SECRET_FIELD`.

        Returns
        -------
        bool
            True if so.
        """
        return hmac.compare_digest(secret.encode(), self.form_secret.encode())


def refusal_html(sentence: str) -> str:
    """Write the page that says why a request was refused.

    Parameters
    ----------
    sentence : str
        Why.

    Returns
    -------
    str
        HTML, escaped.
    """
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Not here</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<link rel="icon" href="data:,"><link rel="stylesheet" href="/assets/desk.css"></head>'
        f'<body><main class="alone"><h1>The desk did not do this</h1><p>{escape(sentence)}</p></main></body>'
        "</html>"
    )


class Guard:
    """The check of every request, before anything of the desk sees it.

    Parameters
    ----------
    app : ASGIApp
        The desk behind it.
    session : Session
        Who may pass.
    """

    def __init__(self, app: ASGIApp, session: Session) -> None:
        self.app = app
        self.session = session

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request pass, or refuse it with a sentence."""
        if scope["type"] != "http":
            # The desk speaks no web socket; the server's own start and stop pass.
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = message.setdefault("headers", [])
                there = {name.lower() for name, _ in headers}
                headers += [
                    (name.lower().encode(), value.encode())
                    for name, value in _HEADERS.items()
                    if name.lower().encode() not in there
                ]
            await send(message)

        status, sentence = self._judge(scope)
        if not sentence:
            await self.app(scope, receive, send_safely)
            return
        body = refusal_html(sentence).encode()
        headers = [(b"content-type", b"text/html; charset=utf-8"), (b"content-length", b"%d" % len(body))]
        await send_safely({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": body})

    def _judge(self, scope: Scope) -> tuple[int, str]:
        # Status and sentence of a refusal; an empty sentence lets it pass.
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        method, path = scope["method"], scope["path"]
        own = self.session.hosts[0]
        if headers.get("host", "") not in self.session.hosts:
            return 421, f"The request calls the desk by another name. It must be sent to {own}."
        if method not in {"GET", "HEAD", "POST"}:
            return 405, f"The desk knows no {method}. It must be GET or POST."
        origin = headers.get("origin")
        if (method == "POST" and origin is None) or (
            origin is not None and origin not in self.session.origins
        ):
            return 403, (
                "The request comes from another page than the desk's own. Nothing was done; open the desk by "
                "its own address and try there."
            )
        if path != "/start" and headers.get("sec-fetch-site") in {"cross-site", "same-site"}:
            return 403, (
                f"Another web page sent the browser here. Nothing was done; type http://{own} into the "
                "address bar instead."
            )
        if not path.startswith(_OPEN_PATHS) and not self.session.knows(headers.get("cookie", "")):
            return 403, (
                "This browser has not been let in. Open the link that was printed when the desk started; it "
                "works once. If it was used already, close the desk and start it again with: washgrade desk "
                "SITE."
            )
        return 200, ""
