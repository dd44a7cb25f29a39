"""The server: the page's files and a small JSON interface over one desk, on the loopback interface only."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import json
import math
import secrets
import socket
import threading
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from uvicorn.protocols.http.h11_impl import H11Protocol

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ..graphs.errors import is_fault
from ..graphs.runner import Runner
from ..media.video_write import CODECS
from ..writes import noting
from .asked import Asked
from .controls import declarations
from .desk import Desk
from .drawn import Drawn
from .errors import DeskError, told_fault
from .folder import shown
from .guard import ENTER, Guard
from .keyframing import values_at
from .secret import Secret, recall, remember
from .session import VIEWS, Session
from .shots import save_look_up, state_of
from .shown import SCREENS, encoded, opaque, pixels
from .solving import result_origin
from .work import MOVING, PROXY, Size, Superseded, fitted, spare_memory

LOOPBACK = "127.0.0.1"

_BYTES = "application/octet-stream"

_CHOICES = {"words": VIEWS, "codecs": list(CODECS), "screens": SCREENS}
"""What the page offers beside the declarations: views, codecs, and ways to show BT.709."""

_PATIENCE = 30
"""Seconds that all else waits for the first picture."""

HEAD_SECONDS = 10.0
"""Time for the head of a request; a connection without one is closed."""

MOST_CONNECTIONS = 128

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


# --- the interface --------------------------------------------------------------------------------------------


class Interface:
    """The routes. Every answer that changes something is the desk's state with what was done in words."""

    def __init__(self, desk: Desk, ended: Callable[[], bool] = lambda: False) -> None:
        self.desk, self.ended = desk, ended

    def routes(self) -> list[Route]:
        """Return the routes below the token."""
        looks: dict[str, Callable[[Request], Response]] = {
            "state": lambda request: Answer(self.desk.as_dict()),
            "declarations": lambda request: Answer(
                {**declarations(), "words": VIEWS, "codecs": list(CODECS), "screens": SCREENS}
            ),
            "clips": lambda request: Answer(self.desk.clips()),
            "versions": lambda request: Answer(self._session.versions.listed()),
            "frame": self.in_turn(self.frame),
            "plot": self.in_turn(self.plot),
            "pixel": self.pixel,
            "values": lambda request: Answer(values_at(self._session.state, _whole(request.query_params, "frame"))),
            "reading": self.in_turn(self.reading),
            "thumbnail": self.thumbnail,
            "beside": self.beside,
        }
        acts: dict[str, Callable[[dict[str, Any]], str | None]] = {
            "set": self.set,
            "reset": lambda body: self._session.reset(body["id"], body.get("name")),
            "mark": self.mark,
            "shape": lambda body: _drawn(self._session.add_shape(body.get("suffix", ""), body["side"], body["region"])),
            "unshape": lambda body: self._session.remove_shape(body["id"]),
            "keyframe": self.keyframe,
            "flicker": lambda body: self._session.measure_flicker(body.get("suffix", ""), body.get("span")),
            "back-to-solved": lambda body: self._session.back_to_solved(body["id"], body["name"]),
            "freeze": lambda body: self._session.freeze(body.get("suffix", ""), bool(body["frozen"])),
            "accept": lambda body: self._session.accept(body.get("suffix", ""), bool(body["accepted"])),
            "follow": lambda body: self._session.follow(body["id"], body["frame"], body.get("gesture")),
            "track": lambda body: self._session.track(body["id"], body["frame"], body.get("span")),
            "faces": lambda body: self._session.find_faces(),
            "face": self.face,
            "give-up": lambda body: self.give_up(),
            "unmark": lambda body: self._session.unmark(body["mark"]),
            "solve": lambda body: self._session.solve(body["what"], body["frame"], body.get("suffix", "")),
            "person": self.person,
            "undo": lambda body: _told("Undone", self._session.undo()),
            "redo": lambda body: _told("Redone", self._session.redo()),
            "keep-version": lambda body: (
                f"Kept as “{self._session.keep_version(body['name'], bool(body.get('replace')))}”."
            ),
            "back-to": lambda body: self._session.back_to(body["name"]),
            "takeover": lambda body: self._session.take_over(),
            "save": lambda body: _saved(self._session.save(body.get("name"), bool(body.get("replace")))),
            "still": lambda body: _saved(
                self._session.still(body["frame"], body["name"], bool(body.get("replace")))
            ),
            "open": lambda body: self.desk.open(body["clip"]),
            "graph": lambda body: self._session.open_graph(body["name"]),
            "carry": lambda body: self.desk.carry_behind(
                list(body["clips"]), body["frame"], bool(body.get("replace"))
            ),
            "report": lambda body: self.desk.report_of(
                list(body.get("clips", [])), body["name"], bool(body.get("replace"))
            ),
            "look-up": lambda body: save_look_up(
                self.desk.folder, self._session.written(), body["name"], body.get("part", "light"), body["frame"],
                bool(body.get("replace")),
            ),
            "stills": lambda body: self.desk.draw_stills([body["frame"]], body["name"], bool(body.get("replace"))),
            "render-all": lambda body: self.desk.order_all(list(body["clips"]), bool(body.get("replace"))),
            "unwait": lambda body: self.desk.drop(body["place"]),
            "render": lambda body: self.desk.order(
                body.get("output", ""), body.get("matte", ""), body.get("frames", ""), body.get("codec", ""),
                bool(body.get("replace")),
            ),
            "cancel": lambda body: self.cancel(),
        }  # fmt: skip
        routes = [Route("/{token}/api/" + name, _looking(look)) for name, look in looks.items()]
        routes += [
            Route("/{token}/api/" + name, _acting(act, self.desk), methods=["POST"]) for name, act in acts.items()
        ]
        routes.append(Route("/{token}/api/events", self.events))
        return [*routes, Route("/{token}/", _page_file), Route("/{token}/{name}", _page_file)]

    @property
    def _session(self) -> Session:
        return self.desk.session

    async def events(self, request: Request) -> Response:
        """Answer with the state now and after every change, for as long as the page is open."""

        def state() -> dict[str, Any]:
            told: dict[str, Any] = _presentable(self.desk.as_dict())
            return told

        stream = self.desk.bulletin.stream(state, self.desk.working, lambda: self.ended())
        return StreamingResponse(stream, media_type="text/event-stream")

    def set(self, body: dict[str, Any]) -> None:
        """Set one parameter by id, name and value, or several by id and name under ``values``, as one change."""
        values = body["values"] if "values" in body else {body["id"]: {body["name"]: body["value"]}}
        self._session.set_all(values, body.get("gesture"), body.get("frame"))

    def keyframe(self, body: dict[str, Any]) -> None:
        """Set, remove or hold a parameter at a frame; without an id, move or remove all keyframes of a frame."""
        session, frame = self._session, body["frame"]
        if "id" in body:
            session.keyframe(body["do"], frame, body["id"], body["name"])
        elif body["do"] == "move":
            session.move_keyframes(body.get("suffix", ""), frame, body["to"])
        elif body["do"] == "remove":
            session.remove_keyframes(body.get("suffix", ""), frame)
        else:
            raise DeskError(f"The keyframes of a frame can be moved or removed, not {body['do']!r}.")

    def face(self, body: dict[str, Any]) -> None:
        """Move or remove a face."""
        if body["do"] == "move":
            self._session.move_face(body["id"], body["by"], body.get("gesture"))
        elif body["do"] == "remove":
            self._session.remove_face(body["id"])
        else:
            raise DeskError(f"A face can be moved or removed, not {body['do']!r}.")

    def give_up(self) -> str:
        """Cancel what is being worked out in the background."""
        if self._session.tasks.last is not None:
            self._session.tasks.last.cancel()
        return "Stopping."

    def in_turn(self, look: Callable[[Request], Response]) -> Callable[[Request], Response]:
        """Have what is for a hand that rests wait for its turn, and give it up once the hand moves again."""

        def answer(request: Request) -> Response:
            bench = self._session.bench
            if request.query_params.get("moving") == "1":
                bench.stir()
                return look(request)
            try:
                with bench.rest():
                    return look(request)
            except Superseded:
                return Response(status_code=204)  # something newer is shown

        return answer

    def frame(self, request: Request) -> Response:
        """Answer with a view of a frame: raw pixels, a PNG (lossless) or, while something moves, a JPEG."""
        query = request.query_params
        frame, size, stale = _whole(query, "frame"), _size(query), False
        if "lit" in query:
            picture = self._session.lit(frame, Drawn.parse(query["lit"]), query.get("view", "result"), size)
        else:
            last = query.get("last") == "1"
            stale = last and self._session.is_stale(frame, size)
            picture = self._session.picture(frame, query.get("view", "result"), query.get("suffix", ""), size, last)
        shrink = min(max(_whole(query, "shrink", 1), 1), 16)
        codes = pixels(picture, shrink, query.get("screen", "srgb"), query.get("gamut", "srgb"))
        self.desk.shown.set()
        answer = _answer(codes, query.get("as", "raw"))
        if stale:
            answer.headers["x-stale"] = "1"
        return answer

    def plot(self, request: Request) -> Response:
        """Answer with the traces of a scope one below another, 8 bits grey, and what goes with them in a header."""
        query = request.query_params
        traces, about = self._session.plot(
            query.get("which", ""),
            _whole(query, "frame"),
            query.get("suffix", ""),
            (_whole(query, "wide", 320), _whole(query, "tall", 320)),
            _numbers(query.get("rim", "0.64"), 1)[0],
            query.get("of", "skin") == "skin",
            query.get("view", "result"),
            _size(query),
            query.get("last") == "1",
        )
        height, width = traces[0].shape
        headers = {"x-width": str(width), "x-height": str(height), "x-about": json.dumps(about)}
        return Response(b"".join(trace.tobytes() for trace in traces), media_type=_BYTES, headers=headers)

    def pixel(self, request: Request) -> Response:
        """Answer with the values of a place in the picture."""
        query = request.query_params
        x, y = _numbers(query.get("at", ""), 2)
        return JSONResponse(
            self._session.pixel(_whole(query, "frame"), x, y, query.get("suffix", ""), query.get("view", "result"))
        )

    def reading(self, request: Request) -> Response:
        """Answer with the reading of a person's skin."""
        query, session = request.query_params, self._session
        size = _size(query)
        read = session.reading(_whole(query, "frame"), query.get("suffix", ""), size)
        read = self.desk.judged(read, rests=size != MOVING)
        if size != MOVING:
            session.bench.tidy()
        return Answer(read)

    def thumbnail(self, request: Request) -> Response:
        """Answer with a small picture of the middle of a clip."""
        name = request.query_params.get("clip", "")
        with self.desk.folder.reel(name).open() as clip:
            middle = clip.frames[len(clip.frames) // 2]
            picture = self._corrected(name, middle, clip.read(middle))
        screen = request.query_params.get("screen", "srgb")
        small = np.ascontiguousarray(fitted(picture, (256, 144)), np.float32)
        return _answer(pixels(self.desk.seeing.view(small), screen=screen), "jpeg")

    def beside(self, request: Request) -> Response:
        """Answer with a picture of another clip, or of another frame, and with what its skin reads in a header."""
        query = request.query_params
        frame = _whole(query, "frame") if "frame" in query else None
        self._session.keeper.flush()
        picture, reading, at = self.desk.beside.picture(query.get("clip", ""), frame, query.get("view", "result"))
        answer = _answer(pixels(picture, screen=query.get("screen", "srgb"), gamut=query.get("gamut", "srgb")), "png")
        answer.headers["x-about"] = json.dumps({"frame": at, "reading": None if reading is None else reading.as_dict()})
        return answer

    def _corrected(self, name: str, frame: int, plate: Floats) -> Floats:
        """Return a picture through what a clip's notes hold, or as it is where there are none that work."""
        state = state_of(self.desk.folder, name)
        with contextlib.suppress(InkarnatError):
            if state is not None:
                graph = dataclasses.replace(state.graph, outputs=(("shown", result_origin(state)),))
                return Runner(graph).run_frame(frame, dict.fromkeys(graph.sources, plate))["shown"]
        return plate

    def mark(self, body: dict[str, Any]) -> str:
        """Add a mark and, where it is asked for, learn from it at once; the mark stays where that fails."""
        session = self._session
        mark = session.mark(
            body["frame"], body.get("suffix", ""), body["purpose"], body["kind"], body["points"],
            body.get("radius", 0.02),
        )  # fmt: skip
        marks = [other for other in session.state.marks if other.suffix == mark.suffix]
        if not body.get("learn") or not any(other.purpose == "skin" for other in marks) or mark.purpose == "neutral":
            return ""
        return session.solve("learn", mark.frame, mark.suffix, gesture=f"mark {mark.id}")

    def person(self, body: dict[str, Any]) -> str:
        """Add, rename or remove a person."""
        if body["do"] == "add":
            return f"Added {self._session.add_person(body.get('name', '')).name}."
        if body["do"] == "rename":
            self._session.rename_person(body["suffix"], body["name"])
        elif body["do"] == "remove":
            self._session.remove_person(body["suffix"])
        else:
            raise DeskError(f"A person can be added, renamed or removed, not {body['do']!r}.")
        return ""

    def cancel(self) -> str:
        """Cancel the render."""
        if self.desk.render is not None:
            self.desk.render.cancel()
        return "Stopping after this frame."


def _told(word: str, label: str) -> str:
    return f"{word}: {label}." if label else "There is nothing further."


def _drawn(id: str) -> str:
    return f"Drawn: {'kept in' if id.startswith('in') else 'kept out'}."


def _saved(path: Path) -> str:
    return f"Saved {path.name}."


def _whole(query: Any, name: str, default: int | None = None) -> int:
    try:
        return int(query[name]) if name in query or default is None else default
    except (KeyError, ValueError):
        raise DeskError(f"{name} must be a whole number.") from None


def _numbers(text: str, count: int) -> list[float]:
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != count or not all(map(math.isfinite, numbers)):
        raise DeskError(f"{text!r} must be {count} numbers with commas between.")
    return numbers


def _size(query: Any) -> Size:
    """Return the box that pictures are fitted into: all of them, what moves, or what is looked at."""
    return None if query.get("full") == "1" else MOVING if query.get("moving") == "1" else PROXY


def _answer(codes: Any, form: str) -> Response:
    """Return pixels as they are, opaque, width and height in the headers, or as a PNG or JPEG."""
    height, width = codes.shape[:2]
    headers = {"x-width": str(width), "x-height": str(height)}
    if form == "raw":
        return Response(opaque(codes).tobytes(), media_type=_BYTES, headers=headers)
    return Response(encoded(codes, form), media_type=f"image/{form}", headers=headers)


def _looking(look: Callable[[Request], Response]) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(_guarded, look, request)

    return endpoint


def _acting(act: Callable[[dict[str, Any]], str | None], desk: Desk) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        try:
            body = json.loads(await request.body() or b"{}")
        except (ValueError, RecursionError):
            return _trouble(400, "The request is not valid JSON.")
        if not isinstance(body, dict):
            return _trouble(400, "The request must be an object.")
        return await run_in_threadpool(_guarded, lambda given: _done(act(Asked(given)), desk), body)

    return endpoint


class Answer(JSONResponse):
    """JSON in which bytes of names that are no UTF-8 stand as the page can show and send them."""

    def render(self, content: Any) -> bytes:
        """Return the body."""
        return super().render(_presentable(content))


def _presentable(content: Any) -> Any:
    if isinstance(content, str):
        return shown(content)
    if isinstance(content, dict):
        return {key: _presentable(value) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return [_presentable(value) for value in content]
    return content


def _done(words: str | None, desk: Desk) -> Response:
    return Answer({**desk.as_dict(), "message": words or ""})


def _guarded(work: Callable[[Any], Response], given: Any) -> Response:
    """Do the work; what a person can fix comes back as one message, a fault of the desk as where it lies."""
    try:
        return work(given)
    except Exception as error:
        if isinstance(error, InkarnatError) and not is_fault(error):
            return _trouble(getattr(error, "status", 400), str(error))
        return _trouble(500, told_fault(error))


def _trouble(status: int, message: str) -> Response:
    return Answer({"error": " ".join(message.split())}, status_code=status)


async def _page_file(request: Request) -> Response:
    """Answer with a file of the page, by its plain name."""
    name = request.path_params.get("name", "index.html")
    kind = _TYPES.get(Path(name).suffix)
    file = resources.files(__package__) / "page" / Path(name).name
    if kind is None or Path(name).name != name or not file.is_file():
        return Response("There is no such file.", status_code=404, media_type="text/plain")
    return Response(file.read_bytes(), headers={"content-type": kind})


# --- running --------------------------------------------------------------------------------------------------


def application(
    desk: Desk, page: str, hosts: list[str], cookie: str, secret: str, ended: Callable[[], bool] = lambda: False
) -> Guard:
    """Return the desk as a guarded ASGI application; open streams end once ``ended`` says so."""
    app: Any = Starlette(routes=Interface(desk, ended).routes())
    return Guard(app, page, hosts, cookie, secret)


class _Patient(H11Protocol):
    """A connection on which the head of a request has to come within some seconds, the first and every other."""

    _closing: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        elif self._closing is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._closing = self.loop.call_later(HEAD_SECONDS, self._give_up)

    def _stop_waiting(self) -> None:
        if self._closing is not None:
            self._closing.cancel()
            self._closing = None

    def _give_up(self) -> None:
        self._closing = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()


class Served:
    """A desk that is being served: its address, and the way to end it."""

    def __init__(self, desk: Desk, port: int = 0) -> None:
        self.desk = desk
        opened = f"{desk.folder.clip_path(desk.session.name)}\n{desk.folder.results}"
        kept = recall(opened)
        self.socket, same = _bound_again(port, kept)
        self.port: int = self.socket.getsockname()[1]
        self.page = kept.token if same else secrets.token_urlsafe(24)
        cookie = kept.cookie if same else secrets.token_urlsafe(32)
        if same or not kept.port:
            remember(opened, Secret(self.port, self.page, cookie))
        hosts = [f"{LOOPBACK}:{self.port}", f"localhost:{self.port}"]
        self.guard = application(desk, self.page, hosts, f"inkarnat-desk-{self.port}", cookie, self._is_ending)
        config = uvicorn.Config(
            self.guard,
            http=_Patient,
            limit_concurrency=MOST_CONNECTIONS,
            log_level="warning",
            access_log=False,
            server_header=False,
            ws="none",
            lifespan="off",
            timeout_graceful_shutdown=2,
        )
        self.server: uvicorn.Server = uvicorn.Server(config)

    def _is_ending(self) -> bool:
        return bool(self.server.should_exit)

    @property
    def address(self) -> str:
        """A new address of the page; it works once."""
        return f"http://{LOOPBACK}:{self.port}/{ENTER}/{self.guard.code()}"

    def run(self) -> None:
        """Serve until interrupted or stopped."""
        spare_memory()
        threading.Thread(target=_warmed, args=(self.desk,), name="warming", daemon=True).start()
        try:
            with noting():
                self.server.run(sockets=[self.socket])
        finally:
            self.desk.close()

    def stop(self) -> None:
        """Ask the server to end."""
        self.server.should_exit = True


def _warmed(desk: Desk) -> None:
    """Make ready what the first changes need, so that they are as quick as all others.

    The kernels of the graph come first, while the page is still loading; then, while the person looks at the first
    picture, the memory, and what learning and solving need. A desk that is closed meanwhile needs none of it.
    """
    from ..warm_up import helped, is_cold_for, warm_node, warm_solvers

    with helped("desk") if is_cold_for("desk") else contextlib.nullcontext(()) as others:
        for other in others:
            other.wait()
    state = desk.session.state
    for node in dict.fromkeys((*(step.node for step in state.graph.steps), *dict(state.views).values())):
        warm_node(node, most=2)
    desk.shown.wait(_PATIENCE)
    if desk.closed.is_set():
        return
    with contextlib.suppress(InkarnatError):
        desk.session.prepare()
    warm_solvers()


def _bound_again(port: int, kept: Secret) -> tuple[socket.socket, bool]:
    """Return a socket and whether the kept secret holds for it: its port is taken where another desk has the clip."""
    if port:
        return _bound(port), True
    try:
        return _bound(kept.port), True
    except DeskError:
        return _bound(0), False


def _bound(port: int) -> socket.socket:
    # The protocol is named because the event loop sends small answers at once only where it knows that it is TCP.
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((LOOPBACK, port))
        bound.listen(64)  # a browser that is faster than the server waits instead of being refused
    except OSError as error:
        bound.close()
        raise DeskError(f"Port {port} cannot be used ({error.strerror}): choose another with --port.") from None
    return bound
