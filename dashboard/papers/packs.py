"""Evidence packs asked for on a page: made one at a time in a thread, kept until the dashboard ends.

Each is checked as `linebook verify` checks it, right after it was made. Imports making and store.
"""

from __future__ import annotations

import asyncio
import logging
import shutil
import tempfile
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from aiohttp import web

from dashboard.papers import making
from dashboard.papers.evidence import Asked
from dashboard.papers.making import Made
from dashboard.papers.redaction import Redaction
from store import bundle, documents, door
from store.bundle import Checked
from store.door import Act
from store.errors import LinebookError
from store.papers import IssuedPaper
from store.site import Site

log = logging.getLogger(__name__)

MOST = 5  # that are kept; the oldest goes


@dataclass(slots=True, kw_only=True)
class Job:
    """One pack, under way while it has neither. `kept` says why nothing of it is on record, if so."""

    number: int
    asked: Asked
    now_ns: int
    made: Made | None = None
    checked: Checked | None = None
    trouble: str = ""
    kept: str = ""
    gone: bool = False  # made way for newer ones


class Packs:
    """The packs of one start of the dashboard."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._folder: Path | None = None
        self._task: asyncio.Task[None] | None = None
        self.jobs: list[Job] = []

    @property
    def busy(self) -> bool:
        return self._task is not None and not self._task.done()

    def begin(self, asked: Asked, withheld: Redaction, *, now_ns: int) -> Job:
        """Begin one; call it while none is under way."""
        job = Job(number=len(self.jobs) + 1, asked=asked, now_ns=now_ns)
        self.jobs.append(job)
        self._task = asyncio.create_task(self._make(job, withheld))
        return job

    async def done(self) -> None:
        """Once nothing is under way."""
        if self._task is not None:
            await asyncio.wait([self._task])

    async def close(self) -> None:
        """Wait for what is under way, then let everything go."""
        await self.done()
        if self._folder is not None:
            await asyncio.to_thread(shutil.rmtree, self._folder, ignore_errors=True)

    async def _make(self, job: Job, withheld: Redaction) -> None:
        try:
            job.checked, made = await asyncio.to_thread(self._made, job, withheld)
            job.kept = await keep(self._site, making.on_record(made, now_ns=job.now_ns))
            job.made = made
        except LinebookError as trouble:
            job.trouble = str(trouble)
        except Exception:
            log.exception("pack not made number=%s", job.number)
            job.trouble = "the dashboard made a mistake of its own; its log says which"

    def _made(self, job: Job, withheld: Redaction) -> tuple[Checked, Made]:
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="linebook-packs-"))
        asked = job.asked
        to = self._folder / str(job.number) / f"pack-{asked.handoff.name}-{asked.first}-{asked.last}"
        made = making.make(self._site, asked, withheld, to, now_ns=job.now_ns, say=log.info)
        checked = bundle.verify(made.zip)
        shutil.rmtree(made.folder)  # the zip has it all
        for old in self.jobs[:-MOST]:
            shutil.rmtree(self._folder / str(old.number), ignore_errors=True)
            old.gone = True
        return checked, made


async def keep(site: Site, paper: IssuedPaper) -> str:
    """Have the probe put a paper on record; empty when it did, else why not, in a sentence."""
    asked = {
        "kind": paper.kind,
        "handoff": paper.handoff,
        "endpoint": paper.endpoint,
        "started_unix_ns": paper.started_unix_ns,
        "text": documents.text_of(paper),
    }
    try:
        await door.ask(site.database, Act.KEEP, asked)
    except LinebookError as trouble:
        return f"Not put on record: {trouble}."
    return ""


async def while_serving(app: web.Application) -> AsyncIterator[None]:
    """For the application's lifetimes."""
    yield
    await app[PACKS].close()


PACKS = web.AppKey("PACKS", Packs)
