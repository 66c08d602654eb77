"""Work that takes seconds: its progress, and the file it made."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from sieve_registry.bench import views
from sieve_registry.bench.desk import desk_of, page
from sieve_registry.bench.tasks import Task


def task(request: Request) -> Response:
    """A task under way, the file it made, or the reason it failed."""
    values = _values(request)
    if values["task"].error is not None:
        trouble = views.explained(values["task"].error, of_artefact=True)
        return page(request, "task_failed.html", trouble=trouble, **values)
    return page(request, "task.html", **values)


def progress(request: Request) -> Response:
    """How far a task is, for its page to refresh; one that is done opens its page."""
    values = _values(request)
    if values["task"].place:
        return Response(status_code=204, headers={"HX-Redirect": values["task"].place})
    if values["task"].over:
        return Response(status_code=204, headers={"HX-Refresh": "true"})
    return page(request, "_progress.html", **values)


def file(request: Request) -> Response:
    """The file a task made."""
    made = _task_of(request).made
    if made is None:
        raise HTTPException(404, "This task made no file")
    return FileResponse(made, filename=made.name)


def _task_of(request: Request) -> Task:
    task = desk_of(request).tasks.get(request.path_params["task"])
    if task is None:
        raise HTTPException(404, "This task is no longer on the bench: it was restarted")
    return task


def _values(request: Request) -> dict[str, Any]:
    task = _task_of(request)
    percent = None if task.share is None else round(100 * task.share)
    size = "" if task.made is None else f"{task.made.stat().st_size / 1e6:.1f} MB"
    return {"task": task, "text": views.task_text(task), "percent": percent, "size": size}


READS = (
    ("/tasks/{task}", task),
    ("/tasks/{task}/progress", progress),
    ("/tasks/{task}/file", file),
)
