"""A site's own word on an answer: what it may say, and that it never makes a yes or unmakes one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import ERROR_CODES, HTTP, MEANINGS, MLLP, SiteAnswers, site_answers, site_faults
from bridge.model import Answer


@given(
    st.dictionaries(
        st.sampled_from(["AA", "CA", "AE", "AE 207", "AR", "HTTP 200", "HTTP 500", "HTTP"]), st.sampled_from(list(Answer))
    ),
    st.sampled_from(["AA", "CA", "AE 207", "AR", "AR 204", "HTTP 200", "HTTP 500"]),
    st.sampled_from(list(Answer)),
)
def test_whatever_a_site_says_a_yes_stays_a_yes(meanings: dict[str, Answer], code: str, usual: Answer) -> None:
    """An acceptance and a commit are the receiver's alone, whatever stands in the lines."""
    found = SiteAnswers(meanings=meanings).answer(code, usual)
    if usual in {Answer.ACCEPTED, Answer.COMMITTED}:
        assert found is usual


def test_a_code_with_its_reason_goes_before_the_code_alone() -> None:
    """The narrower line decides; a code without a line keeps the table's meaning."""
    site = site_answers([("AE", "try again"), ("AE 204", "refused")])
    assert site.answer("AE 204", Answer.REFUSED) is Answer.REFUSED
    assert site.answer("AE 102", Answer.REFUSED) is Answer.TRY_AGAIN
    assert site.answer("AE", Answer.REFUSED) is Answer.TRY_AGAIN
    assert site.answer("AR", Answer.TRY_AGAIN) is Answer.TRY_AGAIN


@pytest.mark.parametrize(
    ("kind", "when"),
    [("mllp", "AA"), ("mllp", "CA"), ("mllp", "AE 99"), ("mllp", "HTTP 500"), ("mllp", "timeout"), ("fhir", "HTTP 200"), ("fhir", "AE"),
     ("fhir", "HTTP 5xx"), ("fhir", "timeout"), ("fhir", "")],
)  # fmt: skip
def test_a_site_has_no_word_on_a_yes_or_on_silence(kind: str, when: str) -> None:
    """Nothing but an answer of the receiver's own that says no or later; what our side found out is no matter of opinion."""
    ((number, fault, remedy),) = site_faults(kind, [(when, "try again")])
    assert (number, fault) == (0, f"{when!r} is no answer that a site can have its own word on.")
    assert remedy.endswith("A yes is the receiver's alone.")


def test_a_meaning_that_is_a_yes_and_a_line_twice_are_faults() -> None:
    """The settings' shape refuses them first; this is the second lock."""
    lines = [("AE", "refused"), ("AE", "try again"), ("AR", "accepted")]
    assert [(number, fault) for number, fault, _ in site_faults("mllp", lines)] == [
        (1, "'AE' stands here twice."),
        (2, "Nothing can be made to mean 'accepted'."),
    ]


def test_every_code_of_the_tables_that_is_no_yes_is_open_to_a_site() -> None:
    """Each row of the tables that says no or later can have a line, with each code of table 0357."""
    codes = [
        code if reason in {"any", "none", "other"} else f"{code} {reason}"
        for code, reason in MLLP
        if code in {"AE", "AR", "CE", "CR"}
    ]
    codes += [f"AE {error}" for error in ERROR_CODES]
    assert list(site_faults("mllp", [(code, "try again") for code in sorted(set(codes))])) == []
    statuses = sorted({f"HTTP {key[:3]}" for key, row in HTTP.items() if key[:3].isdigit() and row.answer in MEANINGS})
    assert list(site_faults("fhir", [(status, "refused") for status in statuses])) == []
