"""What the records can and cannot tell, in sentences; what is found of the models is in the claims."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from broodyear.reports.development.results import MAIN_SCHEME, place_rows, titled
from broodyear.reports.numbers import known
from broodyear.reports.rendering import phrase_lines

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.development import DevelopmentAssessment

WORDS = "development/statements.txt"
STATEMENT_COLUMNS = ("topic", "species", "stage", "sentence")
#: A shorter error (days) of days not read is lost among the looks, and not told.
LEAST_TOLD_GAP_DAYS = 0.25


def statements_table(found: DevelopmentAssessment) -> pd.DataFrame:
    """One row per sentence: STATEMENT_COLUMNS.

    Topics of each species and stage in order: data, band, suspects, intervals, first_seen; then copied and
    survivors.
    """
    import pandas as pd

    told = [(*one, key) for key in found.shown for one in _told(found, *key)]
    sheets = found.copied_sheets.to_dict("records")
    told += [("copied", {"sheet": sheet}, (sheet["species"], sheet["stage"])) for sheet in sheets]
    rows = [
        (topic, *key, said.unescape())
        for topic, facts, key in told
        for said in phrase_lines(WORDS, topic, place=titled(*key), **facts)
    ]
    rows += [("survivors", "", "", said.unescape()) for said in phrase_lines(WORDS, "survivors")]
    return pd.DataFrame([row for row in rows if row[-1]], columns=list(STATEMENT_COLUMNS))


def _told(found: DevelopmentAssessment, species: str, stage: str) -> list[tuple[str, dict[str, Any]]]:
    """Topics of a species and stage, each with what its sentences are made of."""
    from broodyear.development.scoring.comparisons import BASE, shows_no_curve
    from broodyear.development.scoring.score_cells import covers_otherwise

    scores, comparisons, first_seen, left_out, gaps = (
        place_rows(frame, species, stage)
        for frame in (found.scores, found.comparisons, found.first_seen, found.left_out, found.gaps)
    )
    main = scores[(scores["scheme"] == MAIN_SCHEME) & (scores["band"] == "all")]
    own = main[main["model"].str.startswith("own_")]
    carried = found.data[(species, stage)].records.gap_se_days
    data = {
        "used": {name: int(own[name].max()) for name in ("tanks", "batches")} if len(own) else None,
        "refused": own[own["unscored"] == "not_converged"].to_dict("records"),
        "left_out": left_out.to_dict("records"),
        "carried": carried[carried >= LEAST_TOLD_GAP_DAYS].tolist(),
        "gaps": len(gaps),
        "alone": int((gaps["readings_wanted"] == 1).sum()),
    }
    curved = comparisons[(comparisons["model"] == "own_log_inverse") & (comparisons["against"] == BASE)]
    bands = [{"row": row, "shows_no_curve": shows_no_curve(row)} for row in curved.to_dict("records")]
    of_first = main[main["model"].isin(found.shown[(species, stage)][:1]) & main["mae_days"].notna()]
    cells = of_first.head(1).to_dict("records")
    told = [("data", data), *(("band", band) for band in bands)]
    for cell in cells:
        told += [("suspects", {"row": cell})] if known(cell["mae_without_suspects"]) else []
        told.append(("intervals", {"row": cell, "differs": covers_otherwise(cell)}))
    return [*told, *(("first_seen", {"row": row}) for row in first_seen.head(1).to_dict("records"))]
