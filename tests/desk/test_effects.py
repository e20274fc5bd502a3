"""What is said about taking an upload back is what then happens."""

from __future__ import annotations

from pathlib import Path

from broodyear.desk.counting import upload_effects
from broodyear.intake import load_paths
from broodyear.store import Store, open_store

FIRST = "tank_id,checked_on,stage,dead\nT-1,2025-01-12,egg,1\nT-1,2025-01-13,egg,1\nT-2,2025-01-12,egg,0\n"
SECOND = "tank_id,checked_on,stage,dead\nT-1,2025-01-12,egg,2\nT-1,2025-01-13,egg,2\n"
THIRD = "tank_id,checked_on,stage,dead\nT-1,2025-01-13,egg,3\nT-1,2025-01-14,egg,3\n"


def standing(store: Store) -> set[tuple[int, int]]:
    frame = store.table("losses")
    return {(int(upload), int(line)) for upload, line in zip(frame["upload"], frame["line"], strict=True)}


def test_every_effect_is_told_before_it_is_done(small_store: Path, tmp_path: Path) -> None:
    for number, text in enumerate((FIRST, SECOND, THIRD)):
        place = tmp_path / f"losses_{number}.csv"
        place.write_text(text, encoding="utf-8")
        with open_store(small_store, for_loading=True) as store:
            load_paths(store, [place])
    with open_store(small_store, for_loading=True) as store:
        uploads = store.uploads()
        first, second, third = uploads[uploads["table"] == "losses"]["upload"].tolist()[-3:]
        told = upload_effects(store)
        # Of the second file one row counts, which replaced one; its other row fell to the third file.
        assert told[second] == {"gone": 1, "back": 1, "tanks": 1}
        assert told[third] == {"gone": 2, "back": 1, "tanks": 1}
        for upload in (second, third, first):
            told, before = upload_effects(store).get(upload, {"gone": 0, "back": 0}), standing(store)
            store.withdraw(upload)
            after = standing(store)
            assert len(before - after) == told["gone"] and len(after - before) == told["back"]
