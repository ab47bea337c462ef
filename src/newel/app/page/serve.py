"""`newel open`: find a port, build the page if a clone has not got it yet, and serve until Ctrl-C.

The port listens before the server is even imported: the browser, too, takes its time to start, and waits at the door meanwhile.
"""

from __future__ import annotations

import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from newel.app.page.building import build, is_built
from newel.core.errors import BadInput

LOOPBACK = ("127.0.0.1", "localhost", "::1")
FIRST_PORT, PORTS_TRIED = 8390, 20
WAITING = 64  # connections that may wait at the door


@dataclass(frozen=True)
class OpenAsk:
    """What the command line asked for: port 0 takes a free one near the usual."""

    job: Path | None = None
    host: str = "127.0.0.1"
    port: int = 0
    browser: bool = True
    shop_files: tuple[Path, ...] = ()


def serve(asked: OpenAsk, say: Callable[[str], None]) -> None:
    """Serve the page until Ctrl-C. Raises BadInput where the port is taken, or the page is not built and cannot be."""
    if asked.job is not None and not asked.job.is_file():
        raise BadInput(f"there is no job file {asked.job}", remedy="check the name, or write one with: newel new MODEL")
    if not is_built():
        say("the page is not built yet: building it once, which takes a minute ...")
        build()
    listening = _listen(asked.host, asked.port)
    port = listening.getsockname()[1]
    token = None if asked.host in LOOPBACK else secrets.token_urlsafe(24)
    shown = f"[{asked.host}]" if ":" in asked.host else asked.host
    if shown == "0.0.0.0":
        shown = socket.gethostname()
    address = f"http://{shown}:{port}/" + (f"?token={token}" if token else "")
    say(f"the page: {address}\nstop with Ctrl-C")
    if asked.browser:
        threading.Thread(target=webbrowser.open, args=[address], daemon=True).start()
    _answer(asked, listening, _hosts(asked.host, port), token)


def _answer(asked: OpenAsk, listening: socket.socket, hosts: frozenset[str], token: str | None) -> None:
    """Answer whoever comes in at `listening`, until Ctrl-C."""
    import uvicorn

    from newel.app.page.desk import Desk
    from newel.app.page.guard import Admission
    from newel.app.page.server import page_app

    desk = Desk(asked.job.parent if asked.job else Path.cwd(), asked.job, asked.shop_files)
    app = page_app(desk, Admission(hosts, token))

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            desk.closed = True  # else it would wait for the tabs' lines of news, and complain
            desk.changed()
            super().handle_exit(sig, frame)

    config = uvicorn.Config(app, log_level="warning", access_log=False, timeout_graceful_shutdown=1, server_header=False)
    Server(config).run(sockets=[listening])


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    tries = [port] if port else [*range(FIRST_PORT, FIRST_PORT + PORTS_TRIED), 0]
    for number in tries:
        listening = socket.socket(family, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((host, number))
            listening.listen(WAITING)
            return listening
        except OSError as error:
            listening.close()
            wrong = error
    raise BadInput(
        f"cannot listen at {host}, port {port or tries[0]}: {wrong.strerror}", remedy="choose another --port or --host"
    )


def _hosts(host: str, port: int) -> frozenset[str]:
    """Return the names that requests may use for this server."""
    names = {"127.0.0.1", "localhost", "[::1]"}
    if host not in LOOPBACK:
        names |= {f"[{host}]" if ":" in host else host.lower(), socket.gethostname().lower()}
        if host in ("0.0.0.0", "::"):
            names |= {str(item[4][0]) for item in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    return frozenset({f"{name}:{port}" for name in names})
