"""The page served to a few browsers: what is told goes to all of them; they may ask for little or nothing.

The address holds a secret of this run; without it there is nothing to be seen. Pages are never kept by the browser,
load nothing from elsewhere, and work without a way to the internet.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any, Self

from crankfold.analysis import InputError
from crankfold.viewer.share.addresses import listening_at
from crankfold.viewer.share.told import pictures_of, told_of
from crankfold.viewer.words import language, say, sentences_of

if TYPE_CHECKING:
    from types import TracebackType

    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

    from crankfold.viewer.session import Judged, Spoken, Standing
    from crankfold.viewer.share.addresses import Place

MOST_CLIENTS = 8  # phones and tablets that look at once; one more is told so
SECRET_BYTES = 16
BEAT_S = 5.0  # a word now and then, so that both sides notice a lost connection
START_S, STOP_S = 10.0, 5.0
GUARD = {
    "Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
                               "connect-src 'self'; frame-ancestors 'none'"}
DRAWN = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"}
FILES = {"phone.css": "text/css", "phone.js": "text/javascript"}


class Sharing:
    """A page that shows a session.

    Parameters
    ----------
    place
        Where to listen.
    ask
        Called with ``arm``, ``rest`` or ``retry`` when a button on the page is pressed; None: the page only shows.

    Raises
    ------
    InputError
        A library is missing, or the place cannot be listened at.
    """

    def __init__(self, place: Place, ask: Callable[[str], None] | None = None) -> None:
        self._place, self._ask, self._secret = place, ask, secrets.token_urlsafe(SECRET_BYTES)
        self._told, self._number, self._clients = "{}", 0, 0
        self._allowed: tuple[str, ...] = ()
        self._judged: Judged | None = None
        self._pictures: tuple[Judged | None, dict[str, str]] = (None, {})
        self._closing = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed: asyncio.Event | None = None
        self._begin()

    def _begin(self) -> None:
        try:
            import uvicorn
        except ModuleNotFoundError as error:
            raise InputError(say("problem.needs_extra", package=str(error.name), extra="share")) from error
        config = uvicorn.Config(self._application(), host=self._place.host, port=self._place.port, ws="none",
                                lifespan="off", log_config=None, access_log=False, server_header=False,
                                limit_concurrency=4 * MOST_CLIENTS, timeout_graceful_shutdown=1)
        started = threading.Event()

        class Server(uvicorn.Server):
            async def startup(self, sockets: list[Any] | None = None) -> None:
                await super().startup(sockets)
                started.set()

        listening = listening_at(self._place)
        self.port = int(listening.getsockname()[1])
        self._server = Server(config)
        self._thread = threading.Thread(target=self._server.run, args=([listening],), name="phone page", daemon=True)
        self._thread.start()
        if not started.wait(START_S):
            raise InputError(say("share.cannot_listen", host=self._place.host, port=self.port))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    @property
    def address(self) -> str:
        """What to open on the phone; it holds the secret."""
        return f"http://{self._place.shown_host}:{self.port}/{self._secret}/"

    def tell(self, now: Standing, said: Spoken | None = None) -> None:
        """Show where the session stands now, in other words if `said`; from any thread, and never waits."""
        told = told_of(now, control=self._ask is not None, said=said)
        self._allowed, self._judged = tuple(told["actions"]), now.judged
        self._told, self._number = json.dumps(told), self._number + 1
        self._wake()

    def close(self) -> None:
        """Stop showing; open pages say that the connection is lost."""
        self._closing = True
        self._wake()
        self._server.should_exit = True
        self._thread.join(STOP_S)

    def _wake(self) -> None:
        loop, changed = self._loop, self._changed
        if loop is not None and changed is not None and not loop.is_closed():
            loop.call_soon_threadsafe(changed.set)

    def _application(self) -> Starlette:
        from starlette.applications import Starlette
        from starlette.routing import Route

        root = f"/{self._secret}"
        return Starlette(routes=[
            Route(f"{root}/", self._page), Route(f"{root}/events", self._events),
            Route(f"{root}/{{name}}.svg", self._picture), Route(f"{root}/do/{{action}}", self._do, methods=["POST"]),
            Route(f"{root}/{{name}}", self._file)])

    async def _page(self, request: Request) -> Response:
        from starlette.responses import HTMLResponse

        del request
        return HTMLResponse(page_html(self._told), headers=GUARD)

    async def _file(self, request: Request) -> Response:
        from starlette.responses import Response

        name = request.path_params["name"]
        if name not in FILES:
            return Response(status_code=404)
        return Response(_template(name), media_type=FILES[name], headers=GUARD)

    async def _picture(self, request: Request) -> Response:
        from starlette.responses import Response

        judged = self._judged
        if judged is not self._pictures[0]:
            self._pictures = (judged, {} if judged is None else await asyncio.to_thread(pictures_of, judged))
        picture = self._pictures[1].get(request.path_params["name"])
        if picture is None:
            return Response(status_code=404)
        return Response(picture, media_type="image/svg+xml", headers=GUARD | DRAWN)

    async def _do(self, request: Request) -> Response:
        from starlette.responses import Response

        action = request.path_params["action"]
        if self._ask is None or action not in self._allowed:
            return Response(status_code=403)
        await asyncio.to_thread(self._ask, action)
        return Response(status_code=204, headers=GUARD)

    async def _events(self, request: Request) -> Response:
        from starlette.responses import PlainTextResponse, StreamingResponse

        del request
        if self._clients >= MOST_CLIENTS:
            return PlainTextResponse(say("share.too_many"), status_code=503)
        return StreamingResponse(self._stream(), media_type="text/event-stream", headers=GUARD)

    async def _stream(self) -> AsyncIterator[str]:
        self._clients += 1
        if self._changed is None:
            self._loop, self._changed = asyncio.get_running_loop(), asyncio.Event()
        changed, seen = self._changed, -1
        try:
            while not self._closing:
                if seen != self._number:
                    seen = self._number
                    yield f"data: {self._told}\n\n"
                    continue
                changed.clear()
                try:
                    await asyncio.wait_for(changed.wait(), BEAT_S)
                except TimeoutError:
                    yield "event: beat\ndata: \n\n"
        finally:
            self._clients -= 1


def page_html(told: str) -> str:
    """Return the page; `told` is what it shows at first, as JSON. What comes later comes as events."""
    import jinja2

    environment = jinja2.Environment(loader=jinja2.PackageLoader("crankfold.viewer", "templates"), autoescape=True)
    return environment.get_template("phone.html.j2").render(language=language(), words=sentences_of("phone"),
                                                             told=told)


def _template(name: str) -> str:
    from importlib import resources

    return (resources.files("crankfold.viewer") / "templates" / name).read_text(encoding="utf-8")
