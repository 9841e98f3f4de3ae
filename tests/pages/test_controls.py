"""The page Controls, over the real judging: how gates stand in words, and what a person can do there."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bridge.bench.charts import wilson
from bridge.model import GateState
from bridge.pages.controls import GATE_WORDS, results_words, share_words, shown_charts
from bridge.pages.language import language
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from bridge.tables.control_table import DriftRule, ShutDoes
from tests.bench.judged import Bench, with_policy
from tests.pages.stocked import Page, Stocked, Visitor

S = GateState
SIGNED = {"name": "Ana", "reason": "a drop missed a pad"}
OF_GATE = {"analyzer": "bench-a", "strip_type": "quill-10", "strip_lot": "24A01"}


@pytest.fixture
def bench(shelf: Stocked) -> Bench:
    """Give an analyzer whose patients' results wait for controls, over the shelf's store."""
    return Bench(shelf.store, with_policy())


@pytest.fixture
def visitor(shelf: Stocked, bench: Bench) -> Iterator[Visitor]:
    """Serve the pages with the tables of that site."""
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        yield visitor


@pytest.mark.parametrize("state", list(S))
def test_every_state_has_words(state: GateState) -> None:
    """What becomes of results follows the site's word; a failure is never only waited out."""
    assert GATE_WORDS[state]
    failure = state in {S.FAILED, S.REPEAT, S.REPEATED, S.LOCKED}
    goes = state in {S.OPEN, S.DUE}
    held = "are held for a decision"
    assert [results_words(state, shut) for shut in (ShutDoes.NOTE, ShutDoes.WAIT, ShutDoes.HOLD)] == (
        ["may go"] * 3 if goes else ["go, with a note", held if failure else "wait", held]
    )


def test_a_share_has_its_interval_and_its_n() -> None:
    """Never a bare figure (trade practice: 58 of 60 is 88.6 to 99.1 %)."""
    assert share_words(wilson(58, 60), 58, 60) == "58 of 60 (95 % interval 89% to 99%)"
    assert share_words(None, 0, 0) == "no runs"


def test_a_site_without_a_gate_is_told_so(shelf: Stocked) -> None:
    """HZ-E02: nothing is promised that is not done, and on Today that stands above everything that asks for a person."""
    said = "Not watched here. Padpost does not judge controls here: patients' results go whatever the controls say, also after one has failed."
    with shelf.serving() as visitor:
        assert said in visitor.page("/controls").text
        today = visitor.page("/").text
        assert today.index(said) < today.index("Nothing waits for you.")


def test_the_morning_on_the_page(bench: Bench, visitor: Visitor) -> None:
    """Waiting strips, then controls, then results that may go: each in words on Controls and on Today."""
    bench.read(bench.patient())
    for path in ("/controls", "/"):
        text = visitor.page(path).text
        assert "patient results wait" in text, path
        assert "controls are to be run" in text, path
        assert "1 waiting" in text, path
    bench.read(bench.control("1"))
    assert "Passed so far: level 1." in visitor.page("/controls").text
    bench.read(bench.control("2"))
    page = visitor.page("/controls")
    assert "patient results may go ; controls have passed." in page.text.replace("go;", "go ;")
    assert "Nothing waits." in page.text
    assert "level 2, lot B2-0772" in page.text
    assert "Birch control, two levels, level 1" in page.text
    assert "patient results may go" in visitor.page("/").text


def test_a_failure_asks_for_a_reason_and_names_the_pad(bench: Bench, visitor: Visitor) -> None:
    """The run says which pad was off; the form keeps why it was repeated."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2", blood=0))
    page = visitor.page("/controls")
    assert "patient results are held for a decision" in page.text
    assert "failed : blood: not as expected" in page.text.replace("failed:", "failed :")
    assert [each["value"] for each in page.all("input", name="action")] == ["explain", "mend", "container", "service"]
    answer = visitor.post("/controls/gate", action="explain", **OF_GATE, **SIGNED)
    assert (answer.status_code, answer.headers["location"]) == (303, "/controls")
    page = visitor.page("/controls")
    assert "the repeat of a failed control is to be run" in page.text
    assert "Ana (unverified) a drop missed a pad" in page.text
    again = Page(visitor.post("/controls/gate", action="explain", **OF_GATE, **SIGNED).text)
    assert "was first. The controls stand otherwise by now. Look at them again." in again.text
    answer = visitor.post("/controls/gate", action="mend", done="new container", **OF_GATE, **SIGNED)
    assert answer.status_code == 303
    assert "put right: a new full set of controls is to be run" in visitor.page("/controls").text


def test_what_became_of_controls_is_said_in_the_reader_s_language(shelf: Stocked, bench: Bench, visitor: Visitor) -> None:
    """Whether they passed, and why they are due; what a person wrote stays as it is."""
    bench.read(bench.control("1"))
    visitor.post("/controls/gate", action="container", name="Ana", **OF_GATE)
    bench.read(bench.control("2", blood=0))
    visitor.post("/controls/gate", action="explain", **OF_GATE, **SIGNED)
    site = PagesBench(tables=bench.tables, terms=example_terms())
    with shelf.serving(bench=site, languages=(language("en"), language("es")), language="es") as spanish:
        text = spanish.page("/controls").text
    rows = text[text.index("Resultado Después") :]
    said = ("a drop missed a pad", "falló", "se abrió un envase nuevo", "pasó")
    assert sorted(map(rows.index, said)) == list(map(rows.index, said))


@pytest.mark.parametrize("action", ["container", "service"])
def test_a_new_container_or_a_service_is_said_there(bench: Bench, visitor: Visitor, action: str) -> None:
    """Controls are due at once."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert visitor.post("/controls/gate", action=action, name="Ana", **OF_GATE).status_code == 303
    assert "controls are to be run" in visitor.page("/controls").text


def test_one_result_goes_in_an_emergency_and_is_listed(bench: Bench, visitor: Visitor) -> None:
    """The form says to whose record it goes; afterwards it stands among what was sent before controls were right."""
    bench.read(bench.patient())
    page = visitor.page("/controls")
    assert "It goes to the record of patient 40718801 before its controls have passed." in page.text
    (path,) = {each["action"] for each in page.all("form") if each.get("action", "").startswith("/controls/strips/")}
    assert visitor.post(path, action="release", name="Ana", reason="theatre waits").status_code == 303
    bench.work_off()
    assert bench.sent == ["1"]
    text = visitor.page("/controls").text
    assert "Sent before controls were right bench-a 1 40718801" in text
    assert "1 result sent before controls were right, since yesterday." in visitor.page("/").text
    assert (
        "was first. This strip does not wait any more."
        in Page(visitor.post(path, action="discard", name="Ana", reason="r", specimen="run again").text).text
    )


def test_a_waiting_strip_is_given_up(bench: Bench, visitor: Visitor) -> None:
    """Nothing of it goes anywhere."""
    bench.read(bench.patient())
    (path,) = {
        each["action"] for each in visitor.page("/controls").all("form") if each.get("action", "").startswith("/controls/strips/")
    }
    assert visitor.post(path, action="discard", name="Ana", reason="wrong strip", specimen="run again").status_code == 303
    assert "Nothing waits." in visitor.page("/controls").text


def test_what_went_before_a_failure_is_decided_row_by_row(bench: Bench, visitor: Visitor) -> None:
    """Today counts them, Controls lists them, and each keeps its decision."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    for _ in range(2):
        bench.read(bench.patient())
    bench.read(bench.control("1", blood=3))
    assert "2 results to look at again since a control failed." in visitor.page("/").text
    page = visitor.page("/controls")
    paths = [each["action"] for each in page.all("form") if each.get("action", "").startswith("/controls/look-back/")]
    assert len(paths) == 2
    choices = ["", "stands", "to be corrected", "to be withdrawn"]  # nothing is decided before somebody chooses
    assert [each["value"] for each in page.all("option")][:4] == choices
    assert (
        visitor.post(paths[0], verdict="stands", result_id="-", version="1", name="Ana", reason="negative there").status_code
        == 303
    )
    text = visitor.page("/controls").text
    assert "stands, by Ana (unverified)" in text
    assert "Reason: negative there" in text
    assert "1 result to decide about; 0 decided and not over yet." in text
    assert "1 result to look at again since a control failed." in visitor.page("/").text
    refused = visitor.post(paths[1], verdict="stands", result_id="-", version="1", name="", reason="r")
    assert (refused.status_code, "Say who you are" in refused.text) == (409, True)


@pytest.mark.parametrize(
    ("verdict", "kind", "says"),
    [
        ("to be withdrawn", "withdrawn", ("0 decided and not over yet.", "No receiver had it.")),
        ("to be corrected", "corrected", ("1 decided and not over yet.", "records: waiting: its message is not made yet")),
    ],
)
def test_a_decision_does_what_it_says(bench: Bench, visitor: Visitor, verdict: str, kind: str, says: tuple[str, ...]) -> None:
    """HZ-E08: one form decides and starts the withdrawal or the corrected report; the page follows it at each receiver, and says what is open."""
    for play in (bench.control("1"), bench.control("2"), bench.patient(), bench.control("1", blood=3)):
        bench.read(play)
    page = visitor.page("/controls")
    (path,) = [each["action"] for each in page.all("form") if each.get("action", "").startswith("/controls/look-back/")]
    (result,) = [each["value"] for each in page.all("input") if each.get("name") == "result_id"]
    form = {"verdict": verdict, "result_id": result, "version": "1", "comment": "controls failed later", **SIGNED}
    alone = visitor.post(path, **form)
    assert (alone.status_code, "A second person looks at it too." in alone.text) == (409, True)
    assert visitor.post(path, colleague="Rui", **form).status_code == 303
    text = visitor.page("/controls").text
    assert all(each in text for each in ("0 results to decide about;", *says)), text
    assert f"{kind}, by Ana (unverified) with Rui" in text
    assert "Reason: a drop missed a pad" in text
    late = visitor.post(path, colleague="Rui", **{**form, "version": "2"})
    assert late.status_code == 409


def test_forms_without_a_token_or_of_no_kind_are_turned_away(bench: Bench, visitor: Visitor) -> None:
    """As on every page; nothing is done."""
    bench.read(bench.control("2", blood=0))
    assert visitor.post("/controls/gate", token="x", action="explain", **OF_GATE, **SIGNED).status_code == 403
    assert visitor.post("/controls/gate", action="open", **OF_GATE, **SIGNED).status_code == 422
    assert visitor.post("/controls/strips/1", action="open", **SIGNED).status_code == 404
    assert visitor.post("/controls/look-back/1", verdict="well", result_id="-", version="1", **SIGNED).status_code == 422
    assert bench.store.gates()[0].gate.state is S.FAILED


def test_charts_show_each_pad_with_its_shares(bench: Bench, visitor: Visitor) -> None:
    """Dots with words, shares with intervals, and a drift said in words."""
    assert "No control that counted has come yet." in visitor.page("/controls/charts").text
    for _ in range(3):
        bench.read(bench.control("2", blood=1))
    page = visitor.page("/controls/charts")
    assert len(page.all("svg")) == 10  # the ten pads, one level
    assert "Blood, level 2 Too low too often: 3 or more of the last 20 runs." in page.text
    assert "As expected: 0 of 3 (95 % interval 0% to 56%). At most one step off: 3 of 3 (95 % interval 44% to 100%)." in page.text
    assert "2026-11-25, lot B2-0772: 1 step too low" in page.text
    charts = shown_charts(bench.store.gate_events(), DriftRule())
    assert [each.chart.pad for each in charts] == sorted(pad.pad for pad in bench.tables.strip_types["quill-10"].pads)
