"""What more than one page needs in words: refusals, cautions, the glossary."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.reports.parts import Bullets, Heading, Notice, say
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.tables import ReportTable

NOTHING_RECORDED = "There is no record of it for this season yet."


def refusal(title: str, table: ReportTable) -> Notice:
    """A notice in the place of a table that could not be made."""
    return Notice(title, say("{why}", why=_sentence(table.refusal)))


def _sentence(text: str) -> str:
    text = text.strip() or NOTHING_RECORDED
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '!', '?')) else '.'}"


#: The cautions in one line each, for a sheet that hangs beside a tank.
SHORT_CAUTIONS = (
    Markup("Permit and local rules come first: release only where, when and as they say, never to another water."),
    Markup("Unusual deaths: tell the coordinator. Treatment and euthanasia are for trained or licensed people."),
    Markup("Unplug before hands go into the tank; dry hands, drip loops, ground-fault protection."),
    Markup("Rinse or neutralise disinfectants before filling. Nothing from the tank goes to a stream or drain."),
)

#: Where work can hurt people or fish. General; the local rule and the licensed practice always come first.
CAUTIONS = (
    Notice(
        "Before anything else: your permit and local rules.",
        Markup(
            "Holding, moving and releasing eggs or fish normally needs a permit that names species, stock,"
            " number, place and date. Release only where and when yours says, never to another water, and not"
            " after suspected disease until it is cleared. Where this page and your authority differ, your"
            " authority is right."
        ),
        "caution",
    ),
    Notice(
        "Unusual deaths.",
        Markup(
            "Report unusual mortality or suspected notifiable disease as your permit says; counts on this page"
            " are no diagnosis. Treatment and euthanasia are for approved methods and trained or licensed"
            " people only. Never keep fish longer than planned to have better records."
        ),
        "caution",
    ),
    Notice(
        "Electricity beside water.",
        Markup(
            "Switch off and unplug before hands go into a tank or a chiller is opened. Ground-fault protection,"
            " drip loops, dry hands, outlets away from splash, cords off the floor; repairs by a qualified"
            " person."
        ),
        "caution",
    ),
    Notice(
        "Disinfectants and waste.",
        Markup(
            "Tank disinfectants are rinsed or neutralised before filling and kept away from pupils; egg"
            " disinfection is the supplier’s work. Dead material, tank water and gravel go where you were told,"
            " never to a stream or storm drain."
        ),
        "caution",
    ),
)


def glossary(page: str) -> tuple[Heading, Bullets]:
    """The words of a page (season, regions, development), each with what it means there."""
    terms: list[tuple[str, str]] = wording("glossary.txt", page)
    said = tuple(phrase("glossary.txt", "term", word=word, meaning=meaning) for word, meaning in terms)
    return Heading(Markup("Words on this page")), Bullets(said)
