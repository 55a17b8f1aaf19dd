"""Progress of a run: a bar for each session at work, or plain lines where there is no terminal."""

from __future__ import annotations

from dataclasses import dataclass, field
from logging import LogRecord
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TaskID, TextColumn
from rich.text import Text
from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent
from snakemake_interface_logger_plugins.settings import LogHandlerSettingsBase

from nodeday.engine.events import STEPS, WEIGHT, Job, Journal, span

NAME, STUDY = "nodeday", "study"


@dataclass
class Settings(LogHandlerSettingsBase):
    """Carry the run's journal to the handler, which the engine makes."""

    journal: Journal = field(default_factory=lambda: Journal(1))


class LogHandler(LogHandlerBase):
    """Writes the engine's events into the journal and shows it; failures are left to the final account."""

    def __post_init__(self) -> None:
        self.journal = self.settings.journal if isinstance(self.settings, Settings) else Journal(1)
        self.console = Console(stderr=True)
        self.bars = ProgressBars(self.console, self.journal)

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
            counts = getattr(record, "stats", {})
            self.journal.plan({stage: n for stage, n in counts.items() if stage != "total"})
        elif event == LogEvent.JOB_INFO:
            self.journal.begin(getattr(record, "jobid", 0), _job(record))
        elif event in (LogEvent.JOB_FINISHED, LogEvent.JOB_ERROR):
            self._end(record, failed=event == LogEvent.JOB_ERROR)
        else:
            return
        if self.console.is_terminal:
            self.bars.show()

    def _end(self, record: LogRecord, *, failed: bool) -> None:
        number: int = getattr(record, "job_id", getattr(record, "jobid", 0))
        ended = self.journal.end(number, failed=failed)
        if ended is None or ended[0].stage not in WEIGHT or self.console.is_terminal:
            return
        job, seconds = ended
        left = self.journal.left_s
        outcome = f"stopped after {span(seconds)}" if failed else f"done in {span(seconds)}"
        rest = f", about {span(left)} left" if left else ""
        count = f"{self.journal.done} of {self.journal.total}{rest}"
        line = f"{job.session or STUDY}: {job.stage} {outcome} ({count})"
        self.console.print(line, highlight=False, soft_wrap=True, markup=False)

    def close(self) -> None:
        self.bars.stop()
        super().close()


def _job(record: LogRecord) -> Job:
    stage = str(getattr(record, "rule_name", None) or getattr(record, "name", "job"))
    session = (getattr(record, "wildcards", None) or {}).get("session", "")
    logs = getattr(record, "log", None) or [""]
    return Job(str(session), stage, str(logs[0]))


class _Text(ProgressColumn):
    """The text of a bar, made anew at each refresh, so that times go on between two events."""

    max_refresh = 0.5

    def __init__(self, journal: Journal) -> None:
        super().__init__()
        self.journal = journal

    def render(self, task: Task) -> Text:
        session = task.fields["session"]
        if session is None:
            left = self.journal.left_s
            rest = f", about {span(left)} left" if left else ""
            return Text(f"{self.journal.done} of {self.journal.total} stages done{rest}")
        at_work = [
            f"{job.stage} {span(seconds)}"
            for job, seconds in self.journal.working
            if (job.session or STUDY) == session and job.stage in WEIGHT
        ]
        return Text(", ".join(at_work))


class ProgressBars:
    """A bar for the run with the time left, and one for each session at work: how far along the chain."""

    def __init__(self, console: Console, journal: Journal) -> None:
        self.journal = journal
        self.progress = Progress(
            TextColumn("{task.description:<20}", markup=False),
            BarColumn(bar_width=24),
            _Text(journal),
            console=console,
            refresh_per_second=4,
            disable=not console.is_terminal,
        )
        self._run: TaskID | None = None
        self._sessions: dict[str, TaskID] = {}

    def show(self) -> None:
        """Bring the bars in step with the journal."""
        if self._run is None:
            self.progress.start()
            self._run = self.progress.add_task("run", total=None, session=None)
        self.progress.update(self._run, total=self.journal.total, completed=self.journal.done)
        stages: dict[str, list[str]] = {}
        for job, _ in self.journal.working:
            if job.stage in WEIGHT:
                stages.setdefault(job.session or STUDY, []).append(job.stage)
        for name in set(self._sessions) - set(stages):
            self.progress.remove_task(self._sessions.pop(name))
        for name, at_work in stages.items():
            if name not in self._sessions:
                self._sessions[name] = self.progress.add_task(name, total=len(STEPS), session=name)
            passed = min((STEPS.index(stage) for stage in at_work if stage in STEPS), default=0)
            self.progress.update(self._sessions[name], completed=passed)

    def stop(self) -> None:
        """Take the bars away."""
        self.progress.stop()
