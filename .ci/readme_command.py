"""Print the command that stands in the README below a comment such as <!-- command: demo -->."""

import re
import sys
import textwrap
from pathlib import Path


def main(name: str) -> None:
    text = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"<!-- command: {name} -->\n+ *```(?:sh)?\n(.*?)\n *```", text, re.S)
    if not found:
        sys.exit(f"README.md has no command marked {name!r}")
    print(textwrap.dedent(found.group(1)))


if __name__ == "__main__":
    main(sys.argv[1])
