"""How the process itself ends, which no test inside this process can see."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from broodyear.errors import EXIT_INTERRUPTED

COMMAND = """
import os, signal, time
import broodyear.cli
from broodyear.__main__ import run

class TidiedAway:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        [at for at in range(9)]

def main(words):
    {moment}
    return 0

broodyear.cli.main = main
run()
"""
MOMENTS = {
    # As libraries do that make classes of theirs.
    "a text run as code": 'exec("os.kill(os.getpid(), signal.SIGINT); [at for at in range(9)]")',
    "an object tidied away": "TidiedAway(); time.sleep(60)",
}


@pytest.mark.parametrize("moment", MOMENTS)
def test_ctrl_c_ends_with_the_documented_code_wherever_it_comes(moment: str, tmp_path: Path) -> None:
    command = COMMAND.format(moment=MOMENTS[moment])
    (tmp_path / "stopped_command.py").write_text(command, encoding="utf-8")
    words = [sys.executable, "-m", "stopped_command"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=30)
    assert done.stderr == "broodyear: stopped before anything was begun\n"
    assert done.returncode == EXIT_INTERRUPTED
