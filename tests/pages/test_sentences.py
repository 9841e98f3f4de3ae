"""How a template's texts are found, and replaced as it is compiled."""

from __future__ import annotations

import re
from gettext import NullTranslations

import pytest
from jinja2 import DictLoader

from bridge.pages.language import language_of
from bridge.pages.sentences import Speaking, texts_of
from tests.language.texts import environment


class Shouting(NullTranslations):
    """Says every text in capitals, its places as they are."""

    def gettext(self, message: str) -> str:
        return "".join(part if part.startswith("{") else part.upper() for part in _parts(message))

    def pgettext(self, context: str, message: str) -> str:
        return message


def _parts(message: str) -> list[str]:
    return re.split(r"(\{\w+\})", message)


def rendered(source: str, **values: object) -> str:
    """Render a template in capitals."""
    env = Speaking(autoescape=True, loader=DictLoader({"page.html": source}))
    env.language = language_of("en", Shouting())
    env.globals["_"] = str.upper
    return env.get_template("page.html").render(values)


def found(source: str) -> list[str]:
    """Give the texts of a template."""
    return [text for text, _ in texts_of(source, environment())[0]]


@pytest.mark.parametrize(
    ("source", "texts"),
    [
        ("<p>Nothing waits.</p>", ["Nothing waits."]),
        ("<p>  Nothing\n   waits. </p>", ["Nothing waits."]),
        ("<p>Lot {{ shown(row.lot) }}, level {{ row.level }}.</p>", ["Lot {lot}, level {level}."]),
        ("<p>From {{ a.lot }} to {{ b.lot }}</p>", ["From {lot} to {lot2}"]),
        ("<p>{{ x }}. {{ y }}, &amp;</p>", []),
        ('<i class="sign wait" title="Waits" id="x"></i>', ["Waits"]),
        ('<td data-head="Lot {{ n }}"{% if x %} class="a b"{% endif %}>Held</td>', ["Lot {n}", "Held"]),
        ("<p>Run <code>padpost check</code> now</p>", ["Run", "now"]),
        ("<script>let words = 'not said';</script><p>Said</p>", ["Said"]),
        ("<p>{% if x %}Held{% elif y %}Sent{% else %}None{% endif %} here</p>", ["Held", "Sent", "None", "here"]),
        ("{% block here %}/lots{% endblock %}{% block title %}Lots{% endblock %}", ["Lots"]),
        ('<p>{{ "read" if x else "write" }} {{ x or "none" }}</p>', ["read", "write", "none"]),
        ('<input value="{{ "no" if x else "yes" }}">', []),
        ('{{ field(_("Patient ID"), "patient_id") }}', ["Patient ID"]),
        ('{{ {"hold": "Your decision"}[x] }}', ["Your decision"]),
        ('{{ {"hold": "Your decision"}.get(x, x) }}', ["Your decision"]),
        ("<!doctype html><p>Said</p>", ["Said"]),
        ("{% macro m(x) %}<b>Old {{ x }}</b>{% endmacro %}", ["Old {x}"]),
        ("{% for x in y %}<li>One</li>{% else %}<li>No one</li>{% endfor %}", ["One", "No one"]),
    ],
)
def test_what_is_a_text(source: str, texts: list[str]) -> None:
    """What people read or hear, whole, with its places; no value, no markup, nothing that a form sends."""
    assert sorted(found(source)) == sorted(texts)


def test_a_noun_with_its_count_is_found_with_both_forms() -> None:
    """A plural that is not made with an s is named."""
    assert texts_of('<p>{{ counted(n, "strip") }}, {{ counted(m, "copy", "copies") }}</p>', environment())[1] == [
        ("strip", "strips", 1),
        ("copy", "copies", 1),
    ]


def test_places_may_stand_in_another_order() -> None:
    """A language that says the number before the name moves the place, and what is put there is still escaped."""

    class Turned(NullTranslations):
        def gettext(self, message: str) -> str:
            return {"Lot {lot} of {name}": "{name}: {lot}"}.get(message, message)

    env = Speaking(autoescape=True, loader=DictLoader({"page.html": "<p>Lot {{ lot }} of {{ name }}</p>"}))
    env.language = language_of("en", Turned())
    assert env.get_template("page.html").render(lot="<b>", name="A") == "<p>A: &lt;b&gt;</p>"


def test_markup_blanks_and_values_stay_as_they_are() -> None:
    """Only the words are others."""
    source = '<p class="wide" title="Old {{ n }}">Lot  {{ lot }} <b>held</b>{{ " by " if lot }}</p>\n<pre>as printed</pre>'
    assert (
        rendered(source, n=3, lot="a&b") == '<p class="wide" title="OLD 3">LOT a&amp;b <b>HELD</b> BY </p>\n<pre>as printed</pre>'
    )


def test_a_member_is_said_as_it_is_called() -> None:
    """`x.value` of an enumeration of ours is a word of ours; a patient's name or a printed value never stands there."""

    class Role:
        value = "viewer"

    assert rendered("<p>{{ role.value }} {{ role.value|capitalize }}</p><i class={{ role.value }}></i>", role=Role()) == (
        "<p>VIEWER Viewer</p><i class=viewer></i>"
    )
