"""Every source that a model or a published value names is a work with its parts, and BibTeX can read it."""

from __future__ import annotations

import re

import pandas as pd

from broodyear.development import published_disagreements, published_models, published_pairs
from broodyear.development.models.sources import bibtex, cited_on_page, references

#: Excerpts and recollections without a work that could be cited.
NO_WORK = ("general recollection", "Krebs et al.", "study of yolk coagulation", "a commercial egg supplier")


def test_every_source_at_hand_is_a_work_with_its_parts() -> None:
    cited = [*published_models()["source"], *published_pairs()["source"]]
    works = references(cited)
    unknown = works[(works["title"] == works["cited_as"])]["title"]
    assert [title for title in unknown if not title.startswith(NO_WORK)] == []
    assert works["key"].is_unique and works["number"].tolist() == list(range(1, len(works) + 1))
    known = works[works["doi"] != ""]
    assert len(known) >= 8 and known["doi"].str.match(r"10\.\d{4,9}/\S+$").all()


def test_works_are_those_of_models_pairs_and_disagreements_and_not_the_settings() -> None:
    wrong = published_disagreements(3.0).query("species == 'coho'")
    constants = pd.DataFrame({"source": ["fitted to these records", "the settings", "Own et al. 2020", ""]})
    cited = cited_on_page(constants, pd.DataFrame({"source": []}), wrong)
    models = published_models().set_index("model")["source"]
    assert set(cited) == {"Own et al. 2020", *wrong["pair_source"], *models[wrong["model"]]}
    assert len(references(cited)) > 2


def test_two_works_in_one_text_are_two() -> None:
    both = published_models().set_index("model").loc["fit_sockeye_hatch", "source"]
    assert references([both])["key"].tolist() == ["BeachamMurray1990", "MurrayMcPhail1988"]


def test_a_source_of_ones_own_keeps_its_words_and_its_doi() -> None:
    works = references(["Own et al. 2020, doi:10.1234/abc.5.", ""])
    assert works[["key", "type", "title", "doi"]].values.tolist() == [
        ["OwnEtAl2020Doi101234Abc5", "misc", "Own et al. 2020, doi:10.1234/abc.5.", "10.1234/abc.5"]
    ]


def test_bibtex_escapes_what_tex_would_run_and_leaves_a_doi_alone() -> None:
    text = bibtex(references(["Fish & {Co} 2020, 100%, doi:10.1234/a_b"]))
    assert text == (
        "@misc{FishCo2020100Doi101234AB,\n  title = {Fish \\& Co 2020, 100\\%, doi:10.1234/a\\_b},\n"
        "  doi = {10.1234/a_b},\n}\n"
    )
    whole = bibtex(references(published_models()["source"]))
    assert whole.count("{") == whole.count("}") and len(re.findall(r"^@", whole, re.M)) > 10
