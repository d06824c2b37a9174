"""What may be published: what is missing, what is known to be impossible, and what the author should think about.

What Creative Commons' licences ask of each other: creativecommons.org/faq and the licences' legal code 4.0, sections
2(a) and 3(b) (from memory).
"""

import pytest

from kitfold.errors import PlanError
from kitfold.pack.publish.rights import check_rights, conditions
from kitfold.plan.load import load_plan

HEAD = {"title": "Reeds", "author": "Ann", "licence": "CC-BY-4.0"}


@pytest.fixture
def judge(kit_folder, entries):
    """Return a function that judges a kit of two sounds with these rights under this licence: its cautions."""

    def judged(rights="own work", licence="CC-BY-4.0", **head):
        sounds = [{**entries.pad, "rights": rights}, {**entries.hit, "rights": "own work"}]
        return check_rights(load_plan(kit_folder.kit(sounds, {**HEAD, "licence": licence, **head})))

    return judged


def test_own_work_goes_with_every_licence(judge):
    for licence in ("CC0-1.0", "CC-BY-4.0", "CC-BY-NC-ND-4.0", "MIT", "LicenseRef-mine"):
        assert judge("own work", licence) == []
    assert judge("own work; also published as CC-BY-NC-4.0", "CC0-1.0") == []


def test_everything_that_is_missing_is_listed_together(judge):
    with pytest.raises(PlanError) as caught:
        judge(" ", "", title="", author="  ")
    places = [mistake.where.split(": ")[1] for mistake in caught.value.mistakes]
    assert places == ["kit.title", "kit.author", "kit.licence", "sound[1] (pad).rights"]
    assert all("is missing" in mistake.what for mistake in caught.value.mistakes)
    assert "a lawyer" in caught.value.mistakes[-1].hint


def test_a_sound_made_from_another_has_its_rights(kit_folder, entries):
    swell = {"name": "swell", "from": "pad", "steps": [{"step": "reverse"}]}
    first = {**entries.pad, "rights": "no redistribution"}
    with pytest.raises(PlanError) as caught:
        check_rights(load_plan(kit_folder.kit([first, swell], HEAD)))
    assert [mistake.where.split(": ")[1] for mistake in caught.value.mistakes] == [
        "sound[1] (pad).rights", "sound[2] (swell).rights",
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["unknown", "TODO", "n/a", "?", "none"])
def test_rights_that_say_nothing_count_as_missing(judge, text):
    with pytest.raises(PlanError, match="is missing, and every published sound needs it"):
        judge(text)


@pytest.mark.parametrize("licence", ["CC0-1.0", "Unlicense"])
def test_a_licence_that_asks_for_no_credit_cannot_carry_one_that_does(judge, licence):
    """CC BY 4.0, legal code 3(a)(1): whoever passes the material on must keep the credit (from memory)."""
    with pytest.raises(PlanError, match="asks for credit wherever it goes"):
        judge("CC-BY-4.0, J. Doe", licence)


@pytest.mark.parametrize(
    "text",
    [
        "no redistribution",
        "no-redistribution",
        "Factory preset, NOT FOR REDISTRIBUTION",
        "LicenseRef-no-redistribution",
        "library X: do not redistribute",
        "non-redistributable",
        "must not be redistributed as samples",
        "redistribution is forbidden",
        "redistribution not allowed",
        "never redistribute",
        "All rights reserved",
        "do not share",
    ],
)
def test_what_must_not_be_passed_on_is_refused_with_the_caution(judge, text):
    with pytest.raises(PlanError, match="cannot be published") as caught:
        judge(text)
    assert "many sound libraries and presets forbid passing on isolated sounds" in caught.value.mistakes[0].hint


@pytest.mark.parametrize(
    "text", ["no redistribution restrictions", "no restrictions on redistribution", "redistribution allowed"]
)
def test_what_allows_it_in_like_words_is_not_refused(judge, text):
    assert judge(text) == []


IMPOSSIBLE = [  # a source's licence, a kit's licence that does not go with it
    ("CC-BY-NC-4.0, Bo", "CC-BY-4.0"),
    ("CC-BY-NC-4.0, Bo", "CC0-1.0"),
    ("CC BY-NC 3.0, Bo", "MIT"),
    ("Creative Commons Attribution-NonCommercial 4.0 International, Bo", "CC-BY-SA-4.0"),
    ("CC-BY-ND-4.0, Bo", "CC-BY-4.0"),
    ("CC-BY-NC-ND-4.0, Bo", "CC-BY-NC-4.0"),
    ("CC-BY-SA-4.0, Bo", "CC-BY-4.0"),
    ("CC-BY-SA-4.0, Bo", "CC0-1.0"),
    ("CC-BY-SA-4.0, Bo", "CC-BY-NC-SA-4.0"),
    ("CC-BY-NC-SA-4.0, Bo", "CC-BY-SA-4.0"),
]
POSSIBLE = [
    ("CC0-1.0", "CC-BY-NC-ND-4.0"),
    ("public domain", "CC0-1.0"),
    ("CC-BY-4.0, Bo Åkesson", "CC-BY-4.0"),
    ("CC-BY-4.0, Bo", "CC-BY-SA-4.0"),
    ("CC-BY-NC-4.0, Bo", "CC-BY-NC-4.0"),
    ("CC-BY-NC-4.0, Bo", "CC-BY-NC-SA-4.0"),
    ("CC-BY-SA-4.0, Bo", "CC-BY-SA-4.0"),
    ("CC-BY-SA-3.0, Bo", "CC-BY-SA-4.0"),
]


@pytest.mark.parametrize(("rights", "licence"), IMPOSSIBLE)
def test_a_combination_that_is_known_to_be_impossible_is_refused(judge, rights, licence):
    with pytest.raises(PlanError, match="does not go with that"):
        judge(rights, licence)


@pytest.mark.parametrize(("rights", "licence"), POSSIBLE)
def test_a_combination_that_goes_together_passes_without_a_word(judge, rights, licence):
    assert judge(rights, licence) == []


@pytest.mark.parametrize("licence", ["LicenseRef-mine", "GPL-3.0-or-later", "CC-BY-4.0 OR MIT"])
def test_where_it_is_not_known_the_author_is_asked_to_make_sure(judge, licence):
    (said,) = judge("CC-BY-SA-4.0, Bo", licence)
    assert "asks for the same licence: make sure" in said


def test_a_licence_that_asks_for_credit_and_names_nobody_is_said(judge):
    (said,) = judge("CC-BY-4.0")
    assert "asks for credit and names nobody" in said


def test_changing_what_must_not_be_changed_is_said(judge):
    (said,) = judge("CC-BY-ND-4.0, Bo", "CC-BY-ND-4.0")
    assert "may count as a change" in said


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("own recording", None),
        ("sampled from my cat", None),
        ("CC0", set()),
        ("cc by-nc-sa 4.0", {"BY", "NC", "SA"}),
        ("CC-BY-NC-ND-3.0", {"BY", "NC", "ND"}),
        ("Attribution-ShareAlike 4.0", {"BY", "SA"}),
        ("CC BY Sandra", {"BY"}),  # a name that begins like a condition is none
    ],
)
def test_conditions_are_read_as_people_write_them(text, found):
    assert conditions(text) == (None if found is None else frozenset(found))
