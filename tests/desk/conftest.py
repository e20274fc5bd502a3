"""A desk for the tests: its application in this process, or the whole command in a process of its own."""

from __future__ import annotations

import http.client
import os
import queue
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from tests import built_once
from tests.desk import forked

from broodyear.desk import server, state
from broodyear.desk.access import KEY_FIELD, Access
from broodyear.desk.app import create_app
from broodyear.desk.state import Desk
from broodyear.intake import load_paths
from broodyear.store import open_store

HOST, PORT = "127.0.0.1", 8765
BASE = f"http://{HOST}:{PORT}"
#: Work is done in a process that has to start first; on a loaded machine that takes its time.
PATIENCE_SECONDS = 60
#: How soon a desk of this process notices that it is to end.
GLANCE_SECONDS = 0.05

TANKS = "tank_id,volume_l\nT-1,100\nT-2,110\n"
SITES = "site_id,region,site_kind\nS-1,north,school\n"
SETUPS = "season,tank_id,site_id,room_type,gravel_practice,closed_on\n2024,T-1,S-1,classroom,bare,2025-05-20\n"
BATCHES = "batch_id,donor_stock,species,brood_year\nB-1,D-1,chinook,2024\n"
DELIVERIES = "tank_id,batch_id,delivered_on,stage_at_delivery,eggs_live\nT-1,B-1,2025-01-10,eyed,150\n"
LOSSES = "tank_id,checked_on,stage,dead\nT-1,2025-01-12,egg,1\nT-1,2025-01-14,egg,1O\nT-9,2025-01-15,egg,2\n"


@pytest.fixture(scope="session", autouse=True)
def workers_of_desks_in_this_process_are_forked() -> Iterator[None]:
    """Sixty pieces of work, each a second shorter."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(state, "WorkProcess", forked.ForkedProcess)
        yield


@pytest.fixture
def small_files(tmp_path: Path) -> Path:
    """A folder of small files: one row with a letter for a zero, one of a tank that nobody listed."""
    return write_small_files(tmp_path / "mail")


def write_small_files(folder: Path) -> Path:
    folder.mkdir()
    named = {"tanks": TANKS, "sites": SITES, "setups": SETUPS, "batches": BATCHES, "deliveries": DELIVERIES}
    for name, text in {**named, "losses_north": LOSSES}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def small_store(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of one's own with the good rows of the small files."""
    return a_copy(small_store_once(tmp_path_factory), tmp_path / "kept")


def small_store_once(factory: pytest.TempPathFactory) -> Path:
    """The store with the good rows of the small files; copy it before you change it."""

    def build(folder: Path) -> None:
        with open_store(folder / "store.duckdb", for_loading=True) as store:
            load_paths(store, [write_small_files(folder / "mail")])

    return built_once.built_once(factory, "small", build) / "store.duckdb"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AtHome]:
    """A client of a desk over the small store, which was counted: for pages that are only looked at."""
    store = a_copy(small_store_once(tmp_path_factory), tmp_path_factory.mktemp("kept"))
    desk = Desk(store, None, Access(HOST, PORT))
    settle(desk)
    yield let_in(desk)
    desk.close()


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the sample of the invented programme; copy it before you change it."""
    return built_once.sample_store(tmp_path_factory)


def a_copy(store: Path, folder: Path) -> Path:
    """A store of one's own."""
    folder.mkdir(exist_ok=True)
    return Path(shutil.copy(store, folder / "store.duckdb"))


@pytest.fixture
def make_desk(tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    """Desks in this process, closed at the end."""
    made = []

    def make(store: Path | None = None) -> Desk:
        desk = Desk(store or tmp_path / "desk" / "store.duckdb", None, Access(HOST, PORT))
        made.append(desk)
        return desk

    (tmp_path / "desk").mkdir(exist_ok=True)
    yield make
    for desk in made:
        desk.close()


class AtHome(FlaskClient):
    """A client that asks for pages below the home of its desk, as the links of the pages do."""

    home = BASE

    def open(self, *args: Any, **more: Any) -> Any:
        return super().open(*args, **{"base_url": self.home, **more})


def a_client(desk: Desk) -> AtHome:
    """A client that was not let in, but knows where the pages lie."""
    app = create_app(desk)
    app.testing = False
    app.test_client_class = AtHome
    client = app.test_client()
    assert isinstance(client, AtHome)
    client.home = BASE + desk.access.home
    return client


def let_in(desk: Desk) -> AtHome:
    """A client that came in by the opened address, and sends what a page of the desk sends."""
    client = a_client(desk)
    client.environ_base["HTTP_HOST"] = f"{HOST}:{PORT}"
    token = desk.access.entry_address.partition("token=")[2]
    assert client.get(f"/enter?token={token}", base_url=BASE).status_code == 303
    client.environ_base |= {"HTTP_ORIGIN": BASE, "HTTP_SEC_FETCH_SITE": "same-origin"}
    return client


def settle(desk: Desk) -> None:
    """Wait until the desk has nothing to do."""
    while pending := desk.runner.pending():
        assert desk.runner.wait_over(pending[0].number, PATIENCE_SECONDS), pending


FORM = "multipart/form-data; boundary=edge-of-the-desk"


def form_around(key: str, name: str) -> tuple[bytes, bytes]:
    """What a browser sends before and after the one file of a form, its name as browsers write names."""
    for sign, written in (('"', "%22"), ("\r", "%0D"), ("\n", "%0A")):
        name = name.replace(sign, written)
    part = "--edge-of-the-desk\r\nContent-Disposition: form-data; name="
    head = f'{part}"{KEY_FIELD}"\r\n\r\n{key}\r\n{part}"files"; filename="{name}"\r\n\r\n'
    return head.encode(), b"\r\n--edge-of-the-desk--\r\n"


class AddressedDesk:
    """A desk that listens: the address that lets one browser in, and its parts."""

    def __init__(self, store: Path, said: str) -> None:
        self.store = store
        self.entry = said
        self.base, _, self.token = self.entry.partition("/enter?token=")
        self.port = int(self.base.rsplit(":", 1)[1])


class ServedDesk(AddressedDesk):
    """A desk served as the command does, by a thread of this process; its workers are forked."""

    def __init__(self, store: Path) -> None:
        forked.begin()
        entries: queue.Queue[str] = queue.Queue()
        self._ending = threading.Event()

        @contextmanager
        def stopped_here(ending: threading.Event) -> Iterator[None]:
            self._ending = ending
            yield

        def run() -> None:
            server.serve(store, open_browser=False, opened=entries.put)

        self._temporary = tempfile.tempdir
        self._patched = pytest.MonkeyPatch()
        self._patched.setattr(server, "_stopped_by_signals", stopped_here)
        self._patched.setattr(server, "GLANCE_SECONDS", GLANCE_SECONDS)
        self._thread = threading.Thread(target=run)
        self._thread.start()
        super().__init__(store, entries.get(timeout=PATIENCE_SECONDS))

    def end(self) -> None:
        """Close the desk as a polite request to end does."""
        self._ending.set()
        self._thread.join(PATIENCE_SECONDS)
        assert not self._thread.is_alive()
        self._patched.undo()
        tempfile.tempdir = self._temporary


class RunningDesk(AddressedDesk):
    """``broodyear desk`` in a process of its own."""

    def __init__(self, store: Path) -> None:
        words = [sys.executable, "-m", "broodyear", "desk", "--no-browser", "--store", str(store)]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, line + (self.process.stderr.read() if self.process.stderr else "")
        super().__init__(store, found.group())

    def end(self, number: int = signal.SIGTERM) -> int:
        """End the process; its exit code."""
        if self.process.poll() is None:
            os.kill(self.process.pid, number)
        code = self.process.wait(PATIENCE_SECONDS)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
        return code


class Visitor:
    """A plain client of a running desk, with its cookie and key."""

    def __init__(self, desk: AddressedDesk) -> None:
        self.desk = desk
        self.home = ""
        answer, _ = self.ask("GET", f"/enter?token={desk.token}", cookie="")
        self.cookie = (answer.getheader("Set-Cookie") or "").partition(";")[0]
        self.home = (answer.getheader("Location") or "").rstrip("/")
        _, page = self.ask("GET", "/")
        self.key = re.search(rb'data-key="([^"]+)"', page).group(1).decode()  # type: ignore[union-attr]

    def ask(
        self, method: str, path: str, body: bytes | None = None, cookie: str | None = None, **headers: str
    ) -> tuple[http.client.HTTPResponse, bytes]:
        """Ask for a page; the answer and its body."""
        line = http.client.HTTPConnection(HOST, self.desk.port, timeout=PATIENCE_SECONDS)
        sent = {"Cookie": self.cookie if cookie is None else cookie, "Origin": self.desk.base}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        line.request(method, self.home + path, body, sent)
        answer = line.getresponse()
        content = answer.read()
        line.close()
        return answer, content

    def post(self, path: str, body: bytes = b"", **headers: str) -> tuple[int, bytes]:
        """Ask for a change."""
        answer, content = self.ask("POST", path, body, X_Desk_Key=self.key, Accept="application/json", **headers)
        return answer.status, content

    def hand_over(self, name: str, content: bytes) -> tuple[int, bytes]:
        """Send a file as the page's script does."""
        head, tail = form_around(self.key, name)
        return self.post("/files/add", head + content + tail, Content_Type=FORM)


@pytest.fixture
def run_desk() -> Iterator[Callable[[Path], RunningDesk]]:
    """Desks in processes of their own, ended at the end."""
    running: list[RunningDesk] = []

    def run(store: Path) -> RunningDesk:
        running.append(RunningDesk(store))
        return running[-1]

    yield run
    for desk in running:
        desk.end()


@pytest.fixture
def serve_desk() -> Iterator[Callable[[Path], ServedDesk]]:
    """Desks served in this process, ended at the end."""
    served: list[ServedDesk] = []

    def serve(store: Path) -> ServedDesk:
        served.append(ServedDesk(store))
        return served[-1]

    yield serve
    for desk in reversed(served):
        desk.end()
