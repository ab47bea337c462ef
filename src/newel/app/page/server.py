"""The page's server: what a browser may ask of the desk, over HTTP on loopback."""

from __future__ import annotations

import asyncio
import contextlib
import json
import mimetypes
import re
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from newel import __version__
from newel.app.inputs import model_type, read_shop
from newel.app.job_edit import set_entry, set_field
from newel.app.page.desk import Desk
from newel.app.page.guard import Admission, Guard
from newel.app.page.overrule import FIELDS, LISTED
from newel.app.whole_files import write_file
from newel.core.errors import BadInput, NewelError

BUILT = Path(__file__).with_name("built")
MOST_MODEL_BYTES = 256 * 2**20
MOST_PROGRAM_BYTES = 128 * 2**20
MOST_TEXT_BYTES = 2**20
QUIET_S = 15.0  # a word now and then keeps the stream of news open
LEAST_PAUSE_S = 0.15  # between two pieces of news
_RUN_FILE = re.compile(
    r"(scene|routine|fit)\.json|(part|target|rows|scrub|deviation|holders|outlines|reach)\.bin|program-\d{1,3}\.txt"
)

Handler = Callable[[Request], Awaitable[Response]]


class TooLarge(NewelError):
    """More was sent than is taken."""


def page_app(desk: Desk, admission: Admission) -> Starlette:
    """Return the server for one desk."""

    @contextlib.asynccontextmanager
    async def life(_app: Starlette) -> AsyncIterator[None]:
        desk.begin()
        yield
        desk.end()

    app = Starlette(
        routes=[
            Route("/", _index),
            Route("/assets/{name}", _asset),
            Route("/api/desk", _told),
            Route("/api/news", _news),
            Route("/api/shop", _told_shop),
            Route("/api/job", _plain(_save_job), methods=["PUT"]),
            Route("/api/job/open", _plain(_open_job), methods=["POST"]),
            Route("/api/job/field", _plain(_set_field), methods=["POST"]),
            Route("/api/job/entry", _plain(_set_entry), methods=["POST"]),
            Route("/api/model", _plain(_take_model), methods=["POST"]),
            Route("/api/program", _plain(_take_program), methods=["POST"]),
            Route("/api/runs", _plain(_start), methods=["POST"]),
            Route("/api/runs/{number:int}", _plain(_stop), methods=["DELETE"]),
            Route("/api/runs/{number:int}/{name}", _plain(_run_file)),
            Route("/api/results/{name:path}", _plain(_result)),
        ],
        middleware=[Middleware(Guard, admission=admission)],
        lifespan=life,
    )
    app.state.desk = desk
    return app


def _plain(handler: Handler) -> Handler:
    """Tell what is wrong with a request as data: what, where, remedy."""

    async def heard(request: Request) -> Response:
        try:
            return await handler(request)
        except NewelError as error:
            status = 413 if isinstance(error, TooLarge) else 422
            return JSONResponse({"what": error.what, "where": error.where, "remedy": error.remedy}, status)
        except FileNotFoundError:
            return JSONResponse({"what": "the file is not there any more", "where": "", "remedy": "run the job again"}, 404)
        except (UnicodeDecodeError, json.JSONDecodeError, KeyError, TypeError):
            return JSONResponse({"what": "the request makes no sense", "where": "", "remedy": "reload the page"}, 400)

    return heard


async def _index(_request: Request) -> Response:
    path = BUILT / "index.html"
    if not path.is_file():
        return PlainTextResponse("the page is not built: stop, and run 'newel open' again", 503)
    return Response(path.read_bytes(), media_type="text/html; charset=utf-8", headers={"cache-control": "no-cache"})


async def _asset(request: Request) -> Response:
    name = request.path_params["name"]
    path = BUILT / "assets" / name
    if not re.fullmatch(r"[A-Za-z0-9._-]+", name) or not path.is_file():
        return PlainTextResponse("not here", 404)
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    if name.endswith(".js"):
        kind = "text/javascript"
    return Response(path.read_bytes(), media_type=kind, headers={"cache-control": "max-age=31536000, immutable"})


async def _told(request: Request) -> Response:
    return JSONResponse({"version": __version__, **_desk(request).told()})


async def _news(request: Request) -> Response:
    desk = _desk(request)

    async def stream() -> AsyncIterator[str]:
        stirred = asyncio.Event()
        end = desk.listen(stirred.set)
        try:
            while not desk.closed:
                stirred.clear()
                yield f"data: {json.dumps(desk.told(), ensure_ascii=False)}\n\n"
                await asyncio.sleep(LEAST_PAUSE_S)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stirred.wait(), QUIET_S)
        finally:
            end()

    return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})


async def _told_shop(request: Request) -> Response:
    shop = read_shop(_desk(request).shop_files)
    return JSONResponse(
        {
            "machines": list(shop.machines),
            "materials": list(shop.materials),
            "bars": [
                {"name": bar.name, "section": bar.section.value, "size_mm": list(bar.size_mm)} for bar in shop.bars.values()
            ],
            "cutters": [
                {"name": cutter.name, "form": cutter.form.value, "DC": cutter.DC, "LPR": cutter.LPR}
                for cutter in shop.cutters.values()
            ],
            "fields": [item.told() for item in (*FIELDS, *LISTED)],
        }
    )


async def _save_job(request: Request) -> Response:
    desk = _desk(request)
    text = (await _body(request, MOST_TEXT_BYTES)).decode("utf-8")
    return _written(desk, text)


async def _set_field(request: Request) -> Response:
    desk = _desk(request)
    asked = json.loads(await _body(request, MOST_TEXT_BYTES))
    if desk.job is None:
        raise BadInput("no job is open", remedy="drop a model, or open a job")
    table, key = str(asked["table"]), str(asked["key"])
    if not re.fullmatch(r"[a-z_]{0,20}", table) or not re.fullmatch(r"[a-z_A-Z]{1,40}", key):
        raise BadInput("that is no field of a job", remedy="reload the page")
    return _written(desk, set_field(desk.job_text(), table, key, asked["value"]))


async def _set_entry(request: Request) -> Response:
    """Write one entry of a [[table]] that the page knows, or take it out."""
    desk = _desk(request)
    asked = json.loads(await _body(request, MOST_TEXT_BYTES))
    if desk.job is None:
        raise BadInput("no job is open", remedy="drop a model, or open a job")
    table, row, values = str(asked["table"]), int(asked["row"]), asked["values"]
    keys = {item.key for item in LISTED if item.table == table}
    if not keys or row < 0 or not (values is None or (isinstance(values, dict) and keys.issuperset(values))):
        raise BadInput("that is no field of a job", remedy="reload the page")
    return _written(desk, set_entry(desk.job_text(), table, row, values))


def _written(desk: Desk, text: str) -> Response:
    if desk.job is None:
        raise BadInput("no job is open", remedy="drop a model, or open a job")
    desk.check(text)
    write_file(desk.job, text.encode("utf-8"))
    desk.changed()
    return JSONResponse({"saved": desk.job.name})


async def _open_job(request: Request) -> Response:
    desk = _desk(request)
    desk.open_job(str(json.loads(await _body(request, MOST_TEXT_BYTES))["name"]))
    return JSONResponse({"opened": True})


async def _take_model(request: Request) -> Response:
    """Lay a dropped model into the folder and write a first job file for it."""
    desk = _desk(request)
    name = request.query_params.get("name", "")
    path = desk.inside(name)
    await asyncio.to_thread(model_type, path)  # it imports what reads meshes
    data = await _body(request, MOST_MODEL_BYTES)
    path = desk.fresh(name)
    job = desk.fresh(f"{path.stem}.toml")
    write_file(path, data)
    given = {"model": str(path), "fit": request.query_params.get("fit") == "yes"}
    for key in ("unit", "material"):
        if request.query_params.get(key):
            given[key] = request.query_params[key]
    run = desk.start("new", path.name, given, job)
    return JSONResponse(run.told())


async def _take_program(request: Request) -> Response:
    """Lay a program beside the job and prove it."""
    desk = _desk(request)
    name = request.query_params.get("name", "")
    if desk.job is None:
        raise BadInput("no job is open to prove the program for", remedy="drop a model, or open a job")
    if Path(name).suffix.lower() not in (".ngc", ".nc", ".tap", ".gcode", ".cnc", ".txt", ".din"):
        raise BadInput("that does not look like a program", remedy="drop a text file ending in .ngc, .nc, .tap or .txt")
    desk.inside(name)
    data = await _body(request, MOST_PROGRAM_BYTES)
    kept = desk.data / f"program-{len(desk.runs)}"
    kept.mkdir(exist_ok=True)
    (kept / name).write_bytes(data)
    return JSONResponse(desk.start("prove", name, {"programs": [str(kept / name)]}).told())


async def _start(request: Request) -> Response:
    desk = _desk(request)
    asked = json.loads(await _body(request, MOST_TEXT_BYTES))
    what = str(asked["what"])
    given: dict[str, Any] = {}
    if what == "prove":
        out = desk.out()
        names = [name for name in desk.results() if name.endswith(".ngc")]
        if out is None or not names:
            raise BadInput("there is no program to prove yet", remedy="make it first")
        given["programs"] = [str(out / name) for name in names]
    elif what == "routine":
        given["kind"] = str(asked["kind"])
    elif what == "fit":
        given["bench"] = str(desk.run(int(asked["routine"])).folder)
        given["values"] = {str(name): float(value) for name, value in asked["values"].items()}
    elif what not in ("plan", "make"):
        raise BadInput(f"nothing here is called {what[:20]!r}", remedy="reload the page")
    label = desk.job.stem if desk.job else ""
    return JSONResponse(desk.start(what, label, given).told())


async def _stop(request: Request) -> Response:
    _desk(request).stop(request.path_params["number"])
    return JSONResponse({"stopped": True})


async def _run_file(request: Request) -> Response:
    name = request.path_params["name"]
    if not _RUN_FILE.fullmatch(name):
        return PlainTextResponse("not here", 404)
    path = _desk(request).run(request.path_params["number"]).folder / name
    if not path.is_file():
        return PlainTextResponse("not here", 404)
    kind = "application/json" if name.endswith(".json") else "text/plain; charset=utf-8"
    if name.endswith(".bin"):
        kind = "application/octet-stream"
    return FileResponse(path, media_type=kind, headers={"cache-control": "private, max-age=3600"})


async def _result(request: Request) -> Response:
    desk, name = _desk(request), request.path_params["name"]
    out = desk.out()
    if out is None or name not in desk.results() or not (out / name).resolve().is_relative_to(out.resolve()):
        return PlainTextResponse("not here", 404)
    headers = {"cache-control": "no-cache"}
    if request.query_params.get("save") == "yes":
        headers["content-disposition"] = f'attachment; filename="{Path(name).name}"'
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return FileResponse(out / name, media_type="text/plain" if name.endswith(".ngc") else kind, headers=headers)


async def _body(request: Request, most: int) -> bytes:
    """Return what was sent. Raises TooLarge, without reading on, where it is more than `most` bytes."""
    said = request.headers.get("content-length", "")
    refused = TooLarge(f"more than {most // 2**20} MB was sent", remedy="use the command line for files as large as that")
    if said.isdigit() and int(said) > most:
        raise refused
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > most:
            raise refused
        parts.append(part)
    return b"".join(parts)


def _desk(request: Request) -> Desk:
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    return desk
