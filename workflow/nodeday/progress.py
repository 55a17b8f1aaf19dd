"""The workflow's events as a progress bar; plain lines where there is no terminal."""

from __future__ import annotations

from logging import LogRecord
from typing import Any

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent

NAME = "nodeday"


class LogHandler(LogHandlerBase):
    """Shows rooms at work and jobs done; failures are told by the command that follows."""

    def __post_init__(self) -> None:
        self.console = Console(stderr=True)
        self.rooms: dict[int, str] = {}
        self.running: dict[int, str] = {}
        self.bar = Progress(
            TextColumn("{task.description:<34}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
            TextColumn("left"), TimeRemainingColumn(),
            console=self.console, disable=not self.console.is_terminal,
        )  # fmt: skip
        self.task: Any = None

    @property
    def writes_to_stream(self) -> bool:
        return True

    @property
    def writes_to_file(self) -> bool:
        return False

    @property
    def has_filter(self) -> bool:
        return True

    @property
    def has_formatter(self) -> bool:
        return True

    @property
    def needs_rulegraph(self) -> bool:
        return False

    def emit(self, record: LogRecord) -> None:
        event: Any = getattr(record, "event", None)
        if event == LogEvent.RUN_INFO:
            self._begin(record)
        elif event == LogEvent.JOB_INFO:
            self._job(record)
        elif event in (LogEvent.JOB_FINISHED, LogEvent.JOB_ERROR):
            self._end_of_job(record)

    def _begin(self, record: LogRecord) -> None:
        total = getattr(record, "stats", {}).get("total")
        if self.task is None:
            self.bar.start()
            self.task = self.bar.add_task("starting", total=total)

    def _job(self, record: LogRecord) -> None:
        number: int = getattr(record, "jobid", 0)
        rule = str(getattr(record, "rule_name", None) or getattr(record, "name", "job"))
        session = (getattr(record, "wildcards", None) or {}).get("session", "study")
        self.running[number] = f"{session} {rule}"
        if not self.console.is_terminal and rule not in ("all", "sessions"):
            self.console.print(f"{session}: {rule}", highlight=False)
        self._show()

    def _end_of_job(self, record: LogRecord) -> None:
        number: int = getattr(record, "job_id", getattr(record, "jobid", 0))
        self.running.pop(number, None)
        if self.task is not None:
            self.bar.advance(self.task)
        self._show()

    def _show(self) -> None:
        if self.task is not None:
            self.bar.update(self.task, description=", ".join(self.running.values())[:34])

    def close(self) -> None:
        self.bar.stop()
        super().close()
