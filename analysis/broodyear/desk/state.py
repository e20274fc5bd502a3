"""The desk itself: which store it is open for, its basket, and the work it has been asked to do."""

from __future__ import annotations

import contextlib
import datetime as dt
import shutil
import threading
import time
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from flask import current_app

from broodyear.desk import findings_book
from broodyear.desk.access import Access
from broodyear.desk.basket import Basket, Waiting, free_name
from broodyear.desk.findings_book import Book
from broodyear.desk.jobs import BACKGROUND, Busy, Job, Runner
from broodyear.desk.mapping.drafts import Drafts
from broodyear.desk.picture import Picture, read_listed, read_picture
from broodyear.desk.worker import CHANGING, WorkProcess
from broodyear.desk.workplace import Workplace, read_json, write_json
from broodyear.errors import UsageError
from broodyear.layouts import (
    LAYOUTS_FILE,
    Layout,
    joined_labels,
    layout_text,
    layouts_from,
    read_layouts,
    same_text,
    without_same,
)
from broodyear.outputs import append_to, replace_text
from broodyear.settings import (
    SETTINGS_FILE,
    Acknowledged,
    SameLabel,
    Settings,
    read_settings,
    season_of,
    settings_beside,
    with_acknowledged,
)

#: The demonstration that the desk offers: large enough for every report, made in about a minute.
DEMO = {"seed": 1, "seasons": 4, "tanks": 60}


#: Another program may have had the store: so long the desk waits before it counts again.
COUNT_AGAIN_SECONDS = 20


class Desk:
    """What the pages share. own: the person's store; workplace: the one looked at, maybe the demonstration's."""

    def __init__(self, store: Path, settings: Path | None, access: Access, layouts: Path | None = None) -> None:
        self.access = access
        self.own = Workplace(store.resolve())
        self.workplace = self.own
        self.settings = settings.resolve() if settings else None
        self.layouts = layouts.resolve() if layouts else None
        self.lock = threading.RLock()
        self.own.prepare()
        Basket(self.own).clear_cut_off()
        #: What ends the server; set by whoever serves.
        self.on_close: Callable[[], object] = lambda: None
        #: Files came while a load ran: they are looked at when it has ended.
        self._look_is_due = False
        self.runner = Runner(self._process, self._ended, self._rest)
        self.count_when_stale()

    @property
    def basket(self) -> Basket:
        """The waiting files of the store looked at."""
        return Basket(self.workplace)

    @property
    def drafts(self) -> Drafts:
        """The sheets whose columns are being explained."""
        return Drafts(self.workplace.columns)

    @property
    def layouts_file(self) -> Path:
        """Where layouts are kept: the file that was named, else the one beside the store."""
        return self.layouts or self.workplace.store.parent / LAYOUTS_FILE

    def keep_layout(self, layout: Layout) -> None:
        """Add a layout to the file, and look at the waiting files again. Raises UsageError."""
        with self.lock:
            file = self.layouts_file
            known = {one.name for one in read_layouts(file).layouts} if file.exists() else set()
            layout = replace(layout, name=free_name(layout.name, known))
            text = layout_text(layout)
            layouts_from(tomllib.loads(text), file.name)
            append_to(file, f"\n{text}", "desk")
        self.look()

    def joined(self) -> tuple[SameLabel, ...]:
        """The labels that mean one thing. Raises UsageError for a file that cannot be followed."""
        file = self.layouts_file
        return joined_labels(file, self.workplace.store) if file.exists() else ()

    def join(self, entry: SameLabel) -> None:
        """Read labels as one from now on. Raises UsageError when one of them means another thing already."""
        with self.lock:
            before = self.joined()
            if any(one.kind == entry.kind and one.label in entry.also for one in before):
                # The label of an entry stays one; what it is to mean comes to it.
                entry = SameLabel(entry.kind, entry.also[0], (entry.label,))
            layouts_from(tomllib.loads("".join(map(same_text, (*before, entry)))), "the list of joined labels")
            text = same_text(entry)
            append_to(self.layouts_file, f"\n{text}" if self.layouts_file.exists() else text, "desk")
        self._labels_changed()

    def part(self, entry: SameLabel) -> None:
        """Read labels apart again, and count again. Raises UsageError for an entry that was written by hand."""
        with self.lock:
            file = self.layouts_file
            after = without_same(file.read_text(encoding="utf-8-sig"), entry) if file.exists() else None
            if after is None:
                raise UsageError(f"the entry was written by hand; take it out of the file {file.name}")
            replace_text(file, after)
        self._labels_changed()

    def _labels_changed(self) -> None:
        self.count_when_stale()
        self.look()

    def season_runs(self) -> bool:
        """Whether some tank is set up in the season of today."""
        picture = self.picture()
        season = season_of(dt.date.today(), self.settings_now())
        return picture is not None and picture.season(season) is not None

    def settings_now(self) -> Settings:
        """The settings as their file says now. Raises UsageError for a file that cannot be followed."""
        return read_settings(self.settings or settings_beside(self.workplace.store))

    @property
    def settings_file(self) -> Path:
        """Where settings are kept: the file that was named, else the one beside the store."""
        return self.settings or self.workplace.store.parent / SETTINGS_FILE

    def acknowledge(self, entry: Acknowledged) -> None:
        """Keep that somebody looked into a suspicion, and count again. Raises UsageError."""
        with self.lock:
            file = self.settings_file
            before = file.read_text(encoding="utf-8") if file.exists() else ""
            after = with_acknowledged(before, entry, file.name)
            append_to(file, after[len(before.rstrip()) :] if before.strip() else after, "desk")
        self.count_when_stale()

    def suspicions(self) -> list[dict[str, Any]]:
        """The suspicions that were open when the store was counted, without those looked into or joined since."""
        closed = {(one.rule, one.tank_id) for one in self.settings_now().acknowledged}
        joined = [{one.label, *one.also} for one in self.joined()]
        return [
            one
            for one in read_listed(self.workplace, "suspicions")
            if closed.isdisjoint({(one["rule"], one["tank_id"]), (one["rule"], "*")})
            and not ((same := one["same"]) and any({same["label"], *same["also"]} <= labels for labels in joined))
        ]

    @property
    def is_demo(self) -> bool:
        """Whether the demonstration is looked at."""
        return self.workplace != self.own

    def picture(self) -> Picture | None:
        """What was last counted in the store; None when there is no store, or it was never counted."""
        self.count_when_stale()
        return read_picture(self.workplace) if self.workplace.store.exists() else None

    def picture_is_true(self, picture: Picture | None) -> bool:
        """Whether nothing changed in the store, the settings and the joined labels since the picture."""
        return (picture.state if picture else []) == self.reading()

    def reading(self) -> list[int]:
        """What tells one reading of the store from another."""
        return self.workplace.reading(self.settings, self.layouts)

    def left_undone(self) -> list[str]:
        """What an earlier load or withdrawal left undone or untold, as sentences; none while that may change."""
        picture = self.picture()
        return picture.left_undone if picture is not None and self.picture_is_true(picture) else []

    def has_records(self) -> bool:
        """Whether anything was ever loaded."""
        picture = read_picture(self.workplace)
        return self.workplace.store.exists() and (picture is None or bool(picture.uploads))

    def count_when_stale(self) -> None:
        """Have the store counted anew, when it changed and nobody is changing it now."""
        state, picture, last = self.reading(), read_picture(self.workplace), self.runner.latest("count")
        if state == (picture.state if picture else []) or self.runner.pending():
            return
        # Counting this very state of the store failed a moment ago.
        in_vain = last is not None and last.state == "failed" and last.order.get("state") == state
        if in_vain and last is not None and time.time() - last.ended < COUNT_AGAIN_SECONDS:
            return
        # When the desk is busy it is asked for again at the end of that work.
        with contextlib.suppress(Busy):
            self.submit("count", "counting what is kept", state=state)

    def found(self) -> Book | None:
        """What the last look at the waiting files found."""
        return findings_book.read(self.workplace.checked)

    def loaded(self) -> Book | None:
        """What the last load found."""
        return findings_book.read(self.workplace.loaded)

    def submit(self, kind: str, title: str, **more: Any) -> Job:
        """Ask for work. Raises Busy when it cannot be begun or queued now."""
        named = {"settings": self.settings or settings_beside(self.workplace.store), "layouts": self.layouts}
        order = {
            "store": str(self.workplace.store),
            **{key: str(file) for key, file in named.items() if file},
            **more,
        }
        return self.runner.submit(kind, title, order)

    def loading(self) -> frozenset[int]:
        """The numbers of the files that are being loaded."""
        return frozenset(
            number for job in self.runner.pending() if job.kind == "load" for number in job.order["numbers"]
        )

    def waiting(self) -> list[Waiting]:
        """The files that wait to be looked at or loaded: those in the basket that are not being loaded."""
        loading = self.loading()
        return [file for file in self.basket.listed() if file.number not in loading]

    def look(self) -> None:
        """Have the waiting files looked at, instead of any look that is under way; after a load that runs."""
        with self.lock:
            # Set before it is asked what runs: a load that ends just now then sees it.
            self._look_is_due = True
            if any(job.kind in CHANGING for job in self.runner.pending()):
                return
            self.runner.stop_kinds({"check"})
            files = self.waiting()
            if files:
                self._submit_files("check", "looking at", files)
            else:
                shutil.rmtree(self.workplace.checked, ignore_errors=True)
            self._look_is_due = False

    def take_out(self, numbers: Iterable[int]) -> None:
        """Take files out of the basket, and look at the others. Raises Busy for a file that is being loaded."""
        with self.lock:
            if self.loading().intersection(numbers := set(numbers)):
                raise Busy("This file is being loaded. Stop the load first, or take the file back afterwards.")
            for number in numbers:
                self.basket.remove(number)
            self.look()

    def load(self, up_to: int) -> Job:
        """Have the good rows of the waiting files loaded, up to the last that the person was shown."""
        with self.lock:
            files = [file for file in self.waiting() if file.number <= up_to]
            if not files:
                raise Busy(
                    "These files do not wait any more: they are being loaded, were loaded, or were taken out."
                )
            return self._submit_files("load", "loading", files)

    def _submit_files(self, kind: str, doing: str, files: list[Waiting]) -> Job:
        return self.submit(
            kind,
            f"{doing} {len(files)} {'file' if len(files) == 1 else 'files'}",
            files=[(file.shown, str(file.path)) for file in files],
            numbers=[file.number for file in files],
        )

    def _rest(self) -> None:
        """Nothing is left to do: look at what came meanwhile, count what changed."""
        if self._look_is_due:
            # Work that somebody asked for just now goes first; the look stays due.
            with contextlib.suppress(Busy):
                self.look()
        self.count_when_stale()

    def go_to(self, workplace: Workplace) -> None:
        """Look at another store. Raises Busy while work is under way."""
        ordered = [job for job in self.runner.pending() if job.kind != "count"]
        if ordered:
            raise Busy(
                f"The desk is busy: {ordered[0].title}. Wait for it, or stop it, before you change the store."
            )
        self.runner.stop_kinds(BACKGROUND)
        workplace.prepare()
        self.workplace = workplace
        self.count_when_stale()

    def _process(self) -> WorkProcess:
        return WorkProcess(self.workplace.work, self.workplace.folder / "last_work.log")

    def _ended(self, job: Job) -> None:
        """What follows from the end of a piece of work."""
        if job.kind == "load" and job.state == "done":
            with self.lock:
                for number in job.order["numbers"]:
                    self.basket.remove(number)
                shutil.rmtree(self.workplace.checked, ignore_errors=True)
        if "report" in job.outcome and job.state == "done":
            about = {"state": job.outcome["state"], "seconds": round(job.seconds)}
            write_json(self.workplace.folder / "made.json", {**self.made(), job.outcome["report"]: about})
        if job.kind == "demo" and job.state == "done":
            self.workplace.demo.prepare()
            self.workplace = self.own.demo

    def made(self) -> dict[str, Any]:
        """Report -> the state of the store it was made from, and how many seconds it took."""
        return read_json(self.workplace.folder / "made.json") or {}

    def close(self) -> None:
        """Stop all work."""
        self.runner.close()


def the_desk() -> Desk:
    """The desk of the running application, whose page is being asked for."""
    found: Desk = current_app.extensions["desk"]
    return found
