"""Writes synthetic_data/sample_as_kept: a small invented programme's records as people keep them.

python -m tests.intake.sample_as_kept FOLDER
"""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import openpyxl

SET_UPS = """School;Area;Room;Tank;Litres;Gravel;School year;Filled
Gullwick;North;classroom;GUL-01;190;pea gravel;2025/26;13.10.2025
Marsh End;South;library;MAR-01;190;none;2025/26;14.10.2025
"""
EGGS = """Batch,Stock,Fish,Brood year,Tank,Delivered,Eggs,Stage
B-25-1,Otter Brook,coho,2025,GUL-01,11/18/2025,150,eyed
B-25-2,Otter Brook,coho,2025,MAR-01,11/19/2025,148,eyed
"""
LOGGER_START = "Serial no;10442\nInterval;6 h\n\nDate Time;Temp (°C);Battery\n"
FIRST_DAY = dt.date(2025, 11, 20)
MORNINGS = 10
TANKS = ("GUL-01", "MAR-01")


def diary(tank: int) -> list[list[object]]:
    """A title, the headings in line 3, ten mornings and a total."""
    rows: list[list[object]] = [
        ["Our salmon diary", TANKS[tank]], [],
        ["Date", "Time", "Water (F)", "Dead", "What died", "Weather"],
    ]  # fmt: skip
    for morning in range(MORNINGS):
        dead: object = (morning + tank) % 3 or "none"
        water = 46.5 + (morning * 7 + tank) % 5 / 2
        weather = ("sun", "rain", None)[morning % 3]
        stage = "eggs" if morning < 6 else "sac fry"
        rows.append([FIRST_DAY + dt.timedelta(days=morning), dt.time(8, 15), water, dead, stage, weather])
    rows.append(["Total", None, None, sum(row[3] for row in rows[3:] if isinstance(row[3], int))])
    return rows


def logger() -> str:
    """Four readings a day."""
    moments = (dt.datetime.combine(FIRST_DAY, dt.time()) + dt.timedelta(hours=6 * step) for step in range(40))
    lines = (f"{moment:%Y-%m-%d %H:%M};{8 + step % 4 / 4:.2f};3.6\n" for step, moment in enumerate(moments))
    return LOGGER_START + "".join(lines)


def write(folder: Path) -> None:
    """All files but the layouts, which are written by hand."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "set-ups 2025.csv").write_text(SET_UPS, encoding="utf-8")
    (folder / "eggs 2025.csv").write_text(EGGS, encoding="utf-8")
    (folder / "logger GUL-01.csv").write_text(logger(), encoding="utf-8")
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for number, name in enumerate(TANKS):
        sheet = book.create_sheet(name)
        for line, row in enumerate(diary(number), 1):
            for column, value in enumerate(row, 1):
                sheet.cell(line, column, value)
        sheet.merge_cells("C1:F1")
    book.properties.creator = "broodyear"
    book.properties.created = book.properties.modified = dt.datetime(2026, 1, 5)
    book.save(folder / "diaries 2025.xlsx")


if __name__ == "__main__":
    write(Path(sys.argv[1]))
