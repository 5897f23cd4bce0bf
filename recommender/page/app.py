"""The routes of the page."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException

from recommender import wording
from recommender.page import forms, views
from recommender.page.desk import STAGES, Desk, Moved, Task
from recommender.page.shield import TooLarge
from recommender.page.uploads import Drop
from recommender.page.watch import Lookout, WatchError, folder_to_watch
from recommender.session import JobError, RecordBusy, RecordError, SettingsError, to_json

#: Longest wait of a visitor without script for a log to be answered. [s]
PATIENCE_S: Final = 120.0
#: Longest path of a folder that may be named. [characters]
LONGEST_PATH: Final = 4000
_HERE: Final = Path(__file__).parent


def make_app(desk: Desk, drop: Drop, lookout: Lookout) -> FastAPI:
    """The page of one job.

    Args:
        desk: The job on the desk.
        drop: Where uploads are kept until they are on record.
        lookout: Watches the folder into which the logger writes.
    """
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/static", StaticFiles(directory=_HERE / "static"))
    pages = _Pages(desk)
    _reading(app, desk, pages)
    _sheets(app, desk)
    _writing(app, desk, drop, pages)
    _watching(app, desk, lookout)
    _failing(app, desk, pages)
    return app


def templates() -> Environment:
    """Templates, with everything that is put into them escaped."""
    environment = Environment(
        loader=PackageLoader("recommender.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["say"] = wording
    return environment


class NotKept(Exception):
    """A log that was sent cannot be written down."""


class _Pages:
    """Templates filled in."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._templates = templates()

    def show(self, name: str, status: int = 200, **values: Any) -> HTMLResponse:
        job = self._desk.job
        text = self._templates.get_template(name).render(job=job, unit=job.pressure_unit, **values)
        return HTMLResponse(text, status)

    def problem(self, status: int, text: str, back: str = "/") -> HTMLResponse:
        return self.show("problem.html", status, text=text, back=back, title="Not done")


def _reading(app: FastAPI, desk: Desk, pages: _Pages) -> None:
    @app.get("/")
    def main(target: str | None = None, task: str = "", notice: str = "", renewed: bool = False) -> HTMLResponse:
        name = desk.session.job.wanted(target).name
        if not renewed:  # a tab that renews itself says nothing of the target that somebody has in hand
            desk.in_hand = name
        desk.session.next_step(name)  # what is worked out by being looked at must not count as a change
        mark = desk.mark(fresh=True)
        return pages.show("desk.html", **views.desk(desk, name, desk.task(task), notice), mark=mark)

    @app.get("/state")
    def state() -> JSONResponse:
        desk.follow()  # a job file at fault is told at once, and its settings are struck out
        return JSONResponse({"mark": desk.mark(), "task": _task(desk.latest)})

    @app.get("/tasks/{name}")
    def task(name: str) -> JSONResponse:
        found = desk.task(name)
        return JSONResponse(_task(found), 404 if found is None else 200)

    @app.get("/why/{number}")
    def why(number: int) -> HTMLResponse:
        return pages.show("why.html", **views.why(desk, number))

    @app.get("/what-if")
    def what_if(request: Request, target: str | None = None) -> HTMLResponse:
        asked = forms.settings_in(request.query_params, desk.session.job)
        return pages.show("what_if.html", **views.what_if(desk, target, asked))

    @app.get("/step.json")
    def step(target: str | None = None) -> Response:
        return Response(to_json(desk.session.next_step(target)), media_type="application/json")

    @app.get("/figure.json")
    def figure(step: int, theme: str = "light") -> Response:
        return Response(views.figure_json(desk, step, theme), media_type="application/json")

    @app.get("/plotly.min.js")
    def plotly() -> FileResponse:
        import plotly

        file = Path(str(plotly.__file__)).parent / "package_data" / "plotly.min.js"
        return FileResponse(file, media_type="text/javascript", headers={"cache-control": "private, max-age=86400"})

    @app.get("/logs/{number}")
    def log(number: int) -> Response:
        name, content = desk.session.raw_log(number)
        return Response(
            content,
            media_type="application/octet-stream",
            headers={"content-disposition": f"attachment; filename*=UTF-8''{forms.quoted(name)}"},
        )


def _sheets(app: FastAPI, desk: Desk) -> None:
    from recommender import report

    @app.get("/sheet")
    def sheet() -> HTMLResponse:
        text = report.sheet_html(desk.session)
        return HTMLResponse(text, headers={"content-security-policy": report.policy() + "; frame-ancestors 'none'"})

    @app.get("/sheet.csv")
    def table() -> Response:
        headers = {"content-disposition": 'attachment; filename="sheet.csv"'}
        return Response(report.sheet_csv(desk.session), media_type="text/csv; charset=utf-8", headers=headers)

    @app.get("/sheet.json")
    def data() -> Response:
        headers = {"content-disposition": 'attachment; filename="sheet.json"'}
        return Response(report.sheet_json(desk.session), media_type="application/json", headers=headers)


def _writing(app: FastAPI, desk: Desk, drop: Drop, pages: _Pages) -> None:
    @app.post("/logs")
    async def logs(request: Request) -> Response:
        async with request.form(max_files=1, max_fields=16, max_part_size=4096) as form:
            log = form.get("log")
            if not isinstance(log, UploadFile) or not log.filename:
                return _refuse(request, pages, "No log was sent. Choose the file that the logger wrote.")
            bring = await run_in_threadpool(_bring, desk, drop, form, log)
        if _wants_json(request):
            return JSONResponse(_task(bring), 202)
        await run_in_threadpool(bring.ended.wait, PATIENCE_S)
        return RedirectResponse(f"/?{forms.query(target=bring.target, task=bring.id)}", 303)

    @app.post("/dialled")
    async def dialled(request: Request) -> Response:
        async with request.form(max_files=1, max_fields=16, max_part_size=4096) as form:
            step = await run_in_threadpool(desk.session.step, forms.whole(form, "step"))
            mark = await run_in_threadpool(desk.put_right, step.number, forms.settings_in(form, desk.session.job))
        if _wants_json(request):
            return JSONResponse({"kept": True, "mark": mark})
        return RedirectResponse(f"/?{forms.query(target=step.target, notice='kept')}", 303)

    @app.post("/acknowledge")
    async def acknowledge(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=4, max_part_size=4096) as form:
            await run_in_threadpool(desk.acknowledge, forms.whole(form, "pull"), forms.text(form, "note"))
            target = forms.text(form, "target")
        return RedirectResponse(f"/?{forms.query(target=target)}", 303)

    @app.post("/withdraw")
    async def withdraw(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=4, max_part_size=4096) as form:
            await run_in_threadpool(desk.withdraw, forms.whole(form, "pull"), forms.text(form, "reason"))
            target = forms.text(form, "target")
        return RedirectResponse(f"/?{forms.query(target=target)}", 303)


def _watching(app: FastAPI, desk: Desk, lookout: Lookout) -> None:
    @app.post("/watch")
    async def watch(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=4, max_part_size=4096) as form:
            folder = await run_in_threadpool(
                folder_to_watch, forms.text(form, "folder", longest=LONGEST_PATH), desk.session.job.folder
            )
            await run_in_threadpool(lookout.start, folder)
            target = forms.text(form, "target")
        return RedirectResponse(f"/?{forms.query(target=target)}#watch", 303)

    @app.post("/unwatch")
    async def unwatch(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=4, max_part_size=4096) as form:
            await run_in_threadpool(lookout.stop)
            target = forms.text(form, "target")
        return RedirectResponse(f"/?{forms.query(target=target)}#watch", 303)


def _bring(desk: Desk, drop: Drop, form: FormData, log: UploadFile) -> Task:
    job = desk.session.job
    target = job.wanted(forms.text(form, "target") or None).name
    settings = forms.settings_in(form, job)
    which = forms.whole(form, "which") if forms.text(form, "which") else None
    seen = forms.whole(form, "step")
    try:
        kept = drop.keep(log.filename or "", log.file)
    except OSError as error:
        why = error.strerror or str(error)
        raise NotKept(
            f"The log was not taken: it cannot be kept on this machine ({why}). Make room and bring it again."
        ) from None
    return desk.take(kept, target=target, settings=settings, which=which, seen=seen)


def _failing(app: FastAPI, desk: Desk, pages: _Pages) -> None:
    def told(status: int) -> Any:
        def handler(request: Request, error: Exception) -> Response:
            return _refuse(request, pages, str(error), status)

        return handler

    def unknown(request: Request, error: Exception) -> Response:
        detail = str(getattr(error, "detail", ""))
        status = int(getattr(error, "status_code", 404))
        return _refuse(request, pages, detail if status != 404 else "There is no such page.", status)

    def broken(request: Request, error: Exception) -> Response:
        """A disk that is full, a stick that was pulled out, or a fault of ours: told in words, and raised further."""
        words = (
            f"Not done, by a fault on this machine ({type(error).__name__}: {error}). Is there room on the disk, and "
            f"is {desk.job.folder} still there? Look at what stands before going on."
        )
        return _refuse(request, pages, words, 500)

    app.add_exception_handler(Exception, broken)
    app.add_exception_handler(HTTPException, unknown)
    app.add_exception_handler(RequestValidationError, unknown)
    app.add_exception_handler(JobError, told(404))
    app.add_exception_handler(RecordError, told(404))
    app.add_exception_handler(SettingsError, told(422))
    app.add_exception_handler(forms.FormError, told(422))
    app.add_exception_handler(RecordBusy, told(503))
    app.add_exception_handler(TooLarge, told(413))
    app.add_exception_handler(Moved, told(409))
    app.add_exception_handler(NotKept, told(507))
    app.add_exception_handler(WatchError, told(422))


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _refuse(request: Request, pages: _Pages, text: str, status: int = 422) -> Response:
    if _wants_json(request):
        return JSONResponse({"error": text}, status)
    return pages.problem(status, text)


def _task(task: Task | None) -> Mapping[str, Any] | None:
    if task is None:
        return None
    return {
        "id": task.id,
        "name": task.name,
        "target": task.target,
        "stage": task.stage,
        "stages": len(STAGES),
        "words": STAGES[task.stage],
        "done": task.done,
        "error": task.error,
        "pull": task.pull,
    }
