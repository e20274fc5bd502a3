"""How the process itself ends, which no test inside this process can see."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from broodyear.errors import EXIT_INTERRUPTED

#: A command that is stopped while it runs a text as code, as libraries do that make classes of theirs.
STOPPED = '''
import broodyear.cli
from broodyear.__main__ import run

def main(words):
    exec("import os, signal; os.kill(os.getpid(), signal.SIGINT); [at for at in range(9)]")

broodyear.cli.main = main
run()
'''


def test_ctrl_c_inside_a_text_run_as_code_ends_with_the_documented_code(tmp_path: Path) -> None:
    (tmp_path / "stopped_command.py").write_text(STOPPED, encoding="utf-8")
    words = [sys.executable, "-m", "stopped_command"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stderr == "broodyear: stopped before anything was begun\n"
    assert done.returncode == EXIT_INTERRUPTED
