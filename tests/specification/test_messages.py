"""The samples: written by the plan that writes patients' messages."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from bridge.model import Flag, Format, Priority, Purpose, Sex
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from bridge.specification import Door
from bridge.specification.messages import sample_parts, shown_samples, sizes, strip_types, text_of
from tests.specification.subjects import subject


def test_strip_types_are_those_that_the_sources_read() -> None:
    """A vendor builds for what can come, and for nothing else."""
    assert strip_types(subject()) == {"pebble-2": "tern", "plover-12": "tern", "quill-10": "brook", "sedge-5": "brook"}
    assert strip_types(subject(profiles=("no-such",))) == {}


def test_normal_and_abnormal_are_what_they_say() -> None:
    """Every pad of the normal sample is normal; every pad that can be abnormal is so in the abnormal one."""
    by_name = {each.name: each.result for each in shown_samples(subject())}
    normal, abnormal, stat = (by_name[f"{kind}: Ten pads, the usual ones (quill-10)"] for kind in ("Normal", "Abnormal", "STAT"))
    assert {pad.flag for pad in normal.pads} == {Flag.NORMAL}
    assert {pad.flag for pad in abnormal.pads} == {Flag.ABNORMAL, Flag.HIGH, Flag.LOW}
    two = by_name["Abnormal: Two pads: albumin and creatinine (pebble-2)"]
    assert {pad.pad for pad in two.pads if pad.flag is Flag.NORMAL} == {"creatinine"}  # it has no step that is abnormal
    assert (normal.priority, abnormal.priority, stat.priority) == (Priority.ROUTINE, Priority.ROUTINE, Priority.STAT)
    assert (stat.specimen_id, stat.order_number, stat.born, stat.sex) == ("U-4711", "ORD-77", date(1980, 1, 2), Sex.FEMALE)


def test_a_control_is_shown_where_controls_are_sent() -> None:
    """A vendor sees what comes without a patient; elsewhere the document says that nothing does."""
    plain = subject()
    made = replace(plain, terms=replace(plain.terms, format=Format.OUL_R22, non_patient=True))
    shown = shown_samples(made)
    controls = [each for each in shown if each.name.startswith("Control: ")]
    assert len(controls) == len(strip_types(made))
    for each in controls:
        assert (each.result.purpose, each.result.patient_id) == (Purpose.CONTROL, "")
        assert b"\rPID|" not in each.payload
        assert (faults(Format.OUL_R22, each.payload), oracle_faults(Format.OUL_R22, each.payload)) == ((), ())
    assert [part.name for part in sample_parts(shown, made.terms) if not part.message] == ["Refused"]
    assert "Control" in [part.name for part in sample_parts(shown_samples(plain), plain.terms)]


def test_every_sample_passes_our_rules_and_the_libraries() -> None:
    """PyPI hl7apy (strict) and fhir.resources.R4B look at them too: a vendor will load them."""
    for door in (Door.MLLP, Door.FHIR):
        given = subject(door)
        for each in shown_samples(given):
            assert faults(given.terms.format, each.payload) == ()
            assert oracle_faults(given.terms.format, each.payload) == ()


def test_the_text_of_a_sample_is_the_message() -> None:
    """A segment a line, in the destination's own character set; JSON as it is sent."""
    given = replace(subject(), terms=replace(subject().terms, charset="8859/1", sending_facility="São"))
    first = shown_samples(given)[0]
    text = text_of(first.payload, given.terms)
    assert text.replace("\n", "\r").encode("latin-1") + b"\r" == first.payload
    assert "|São|" in text
    fhir = subject(Door.FHIR)
    payload = shown_samples(fhir)[0].payload
    assert text_of(payload, fhir.terms).encode() == payload
    assert sample_parts(shown_samples(fhir)[:1], fhir.terms)[0].message.encode() == payload


def test_sizes_hold_every_shown_sample() -> None:
    """The volumes block foretells how much room a message needs."""
    given = subject()
    low, high = sizes(given.terms, given.tables, strip_types(given))
    lengths = [len(each.payload) for each in shown_samples(given)]
    assert 0 < low <= min(lengths)
    assert max(lengths) <= high + 8  # a shown one has a number of other length and may have a specimen number
