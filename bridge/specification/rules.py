"""Blocks H to P of the questionnaire: what happens to a message, and what both sides must keep to."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.lifecycle.answers import DOOR, ENHANCED, FOLDER, HOOK, HTTP, LONGEST_RETRY_AFTER_S, MLLP, SILENCE, Asked, Row
from bridge.model import Severity
from bridge.specification.messages import Shown, sizes, strip_types
from bridge.specification.parties import NO_SOURCE, agreed
from bridge.specification.steps import step_records
from bridge.specification.types import AnswerRow, AnswerTable, Block, Door, Fact, Facts, Part, Record, RecordRow, Subject, Words
from bridge.tables.container_table import ContainerPolicy
from bridge.tables.control_table import GatePolicy, ShutDoes
from bridge.tables.hold_table import HoldTable


def _agreed_block(
    letter: str, title: str, parts: tuple[Part, ...], pairs: Iterable[tuple[str, str, str]], more: tuple[str, ...] = ()
) -> Block:
    """Give a block that ends in what only people know."""
    facts, lacking = agreed(pairs)
    return Block(letter=letter, title=title, parts=(*parts, Facts(title="As agreed", rows=facts)), lacking=(*more, *lacking))


def controls(subject: Subject) -> Block:
    """Block H."""
    sent = (
        "Controls and comparison strips are sent as OUL^R22 without PID: SPM-11 says what was read (Q control, R replicate, a comparison), SAC-3 "
        "the material's number, and INV, of a control alone, the material again. The receiver must never file one under a patient, and must "
        "take one message at a time of each analyzer in its order. Proficiency and training strips are not sent. "
    )
    kept = "Controls are kept and shown by Padpost, never sent: the receiver gets nothing of them. "
    judged = _gate_words(subject.tables.controls.policy) + _container_words(subject.tables.containers.policy)
    words = Words(text=(sent if subject.terms.non_patient else kept) + judged)
    pair = ("what was agreed on controls", "agreement.controls", subject.agreement.controls)
    return _agreed_block("H", "Quality control", (words,), (pair,))


def _gate_words(policy: GatePolicy | None) -> str:
    """Say what the laboratory's controls do to patients' results before these are sent."""
    if policy is None:
        return "Padpost judges none of them: the laboratory does, by its own procedure, before patients' results are used."
    does = {
        ShutDoes.NOTE: "go with a note kept at Padpost",
        ShutDoes.WAIT: "wait until all have passed, and are held for a person after a failure",
        ShutDoes.HOLD: "are held for a person",
    }[policy.shut]
    return (
        f"Padpost judges them by what is typed from their insert (levels {', '.join(sorted(policy.levels))}, all of them). While they are due or have "
        f"failed, patients' results of that analyzer, strip type and strip lot {does}. One that a named person lets go all the same bears a comment that says so. "
        "What was sent before a control failed is looked at again by the laboratory, and put right by its procedure."
    )


def _container_words(policy: ContainerPolicy | None) -> str:
    """Say what becomes of results whose strips may be bad, before these are sent."""
    if policy is None:
        return ""
    asked = (
        ("from a container that nobody entered", policy.unknown),
        ("past their last day", policy.expired),
        ("from a container that was open for too long", policy.open_too_long),
        ("of a lot that nobody has accepted yet", policy.new_lot),
    )
    held = [what for what, severity in asked if severity is Severity.HOLD]
    if not held:
        return " Strips from unknown or old containers are noted at Padpost, and their results sent."
    return f" Results of strips {', or '.join(held)} are held for a person."


def _hold_words(holds: HoldTable) -> str:
    """Say which strips the site's declared rules hold back, and which comments of the laboratory's a result may bear."""
    looks = [
        words
        for words, rule in (("a control", holds.control), ("the other patient's before it", holds.previous))
        if rule is not None and rule.declared.severity is Severity.HOLD
    ]
    held = f" A strip that looks like {' or '.join(looks)} is held for a person." if looks else ""
    said = "".join(f" '{comment}'" for comment in dict.fromkeys(holds.reports.values()))
    return held + (f" A result may bear a comment that the laboratory has signed:{said}" if said else "")


def statuses(subject: Subject) -> Block:
    """Block I."""
    is_fhir = subject.terms.format.is_fhir
    final = "final" if is_fhir else "F in OBR-25 and OBX-11"
    corrected = "corrected, by conditional update, with a Provenance" if is_fhir else "C in OBR-25 and OBX-11"
    withdrawn = (
        "entered-in-error, by conditional update, with a Provenance"
        if is_fhir
        else f"{subject.terms.withdrawal} in every OBX-11, C in OBR-25"
    )
    return Block(
        letter="I",
        title="Status rules",
        parts=(
            Facts(
                title="Which status means what",
                rows=(
                    Fact(name="final", says=f"{final}: the first report, and a later one where the receiver has none"),
                    Fact(
                        name="corrected",
                        says=f"{corrected}: order, specimen, collection time or a comment. The same result number, a new message; a note says what was reported before",
                    ),
                    Fact(
                        name="withdrawn, entered in error",
                        says=f"{withdrawn}: what was posted under this number and patient is wrong. If it was another patient's, it comes under a new number, "
                        "once the withdrawal was answered with success",
                    ),
                    Fact(
                        name="no result could be obtained", says="not sent today: such a strip stays with Padpost, for a person"
                    ),
                    Fact(name="preliminary", says="never sent"),
                ),
            ),
            Words(
                text="Messages of one patient arrive in the order in which their strips were taken in; an urgent strip may overtake those "
                "of other patients. A message that was turned away lets later ones of the same patient go on. A strip that was read again "
                "after every receiver had turned it away comes under the same result number in a new message, and is final too."
                + _run_words(subject.tables.policy.run_pause_minutes)
                + _hold_words(subject.tables.holds)
            ),
        ),
    )


def _run_words(pause_minutes: int) -> str:
    """Say why the results of a run of strips may come late and together."""
    if not pause_minutes:
        return ""
    return (
        f" Where a strip's number goes missing among strips less than {pause_minutes} minutes apart, those that follow are sent together once a "
        "person has compared the first and the last specimen: until then they may belong to a neighbour."
    )


def duplicates(subject: Subject) -> Block:
    """Block J."""
    is_fhir = subject.terms.format.is_fhir
    same_message = "the Bundle's identifier" if is_fhir else "MSH-10"
    same_result = "the DiagnosticReport's first identifier" if is_fhir else "OBR-3"
    return Block(
        letter="J",
        title="Duplicates",
        parts=(
            Facts(
                title="What tells a copy",
                rows=(
                    Fact(name="the same message", says=f"{same_message}: the same bytes are sent again under it after any doubt"),
                    Fact(name="the same result", says=f"{same_result}: never used for a second strip"),
                    Fact(name="window", says="none: the same message may come again hours later, after an outage"),
                ),
            ),
            Words(
                text=f"The receiver must answer a message that it has already, told by {same_message}, with success, and must not file it twice. "
                f"It must file one result for each {same_result}. Copies of a strip are found by Padpost and not sent; a second strip of one "
                f"patient with the same values within {subject.tables.policy.rerun_window_minutes} minutes waits for a person; "
                f"{_second_strip(subject)}"
            ),
        ),
    )


def _second_strip(subject: Subject) -> str:
    """Say what becomes of a second strip with other values."""
    other = "a second one with other values is a result of its own and is sent."
    if subject.tables.policy.run_again == "nothing":
        return other
    return (
        "a second strip of one specimen, told by its number, waits for a person too: it is never sent beside the first, and where it takes "
        f"the first one's place, the first is withdrawn before it comes. Of another specimen {other}"
    )


def answers(subject: Subject) -> Block:
    """Block K, from the tables that decide."""
    silence = _table("No answer", (("no answer", key.value, row) for key, row in SILENCE.items()))
    match subject.door:
        case Door.MLLP:
            own = _table("Answers: MSA-1 with ERR-3", _mllp_rows(subject))
            counts = (
                "An answer counts only if it begins with MSH, has exactly one MSA, and MSA-2 is the control ID that was sent. "
                f"{_ends(subject)} ERR-3 is read, before version 2.5 ERR-1.4; "
                "errors of severity I or W decide nothing. Say in ERR-8, ERR-7 or MSA-3 what is wrong: Padpost shows it to a person."
            )
        case Door.FHIR:
            own = _table("Answers: HTTP status", _plain(HTTP.items()))
            counts = (
                "Only 200 with a transaction-response of as many entries as were sent, each 2xx, ends the delivery. "
                f"Retry-After is honoured up to {LONGEST_RETRY_AFTER_S / 60:.0f} minutes. Say in an OperationOutcome what is wrong: "
                "Padpost shows it to a person."
            )
        case Door.HOOK:
            own = _table("Answers: HTTP status", _plain(HOOK.items()))
            counts = (
                "Check the signature before anything is read (RFC 9421): method, address, digest of the body, media type and identity, by the key "
                "that keyid names, with a time that is near. Answer 200, 201, 202 or 204 only once the message is stored for good. "
                f"Retry-After is honoured up to {LONGEST_RETRY_AFTER_S / 60:.0f} minutes. Say in the body what is wrong: Padpost shows it to a person."
            )
        case Door.FOLDER:
            own = _table("Ends of writing a file", _plain(FOLDER.items()))
            counts = (
                "Nobody answers: a file that is written whole, under its own name, ends the delivery. That is no proof that it was filed: "
                "the receiver must tell a person of every file that it cannot file."
            )
    means = Words(
        text="accepted: the delivery is over. try again: the same bytes go again after a wait. refused: a person at Padpost looks. "
        "destination closed: nothing is sent until the receiver is back. A receiver that gives no answer to five tries in a row is left alone; "
        "one message at a time then tries, every half minute at most, until it answers. Accepted is not yet proof that the result stands in the patient's record."
    )
    secured = subject.encrypted or subject.sign_in != "none"
    before = (_table("Before the door: TLS and sign-in", _plain(DOOR.items())),) if secured else ()
    parts = (Words(text=counts), means, *_site_table(subject), own, silence, *before)
    return Block(letter="K", title="Acknowledgements and errors", parts=parts)


def _ends(subject: Subject) -> str:
    """Say what ends a delivery by MLLP."""
    if not subject.terms.asks_commit:
        return "AA or CA ends the delivery: answer so only once the result is stored for good."
    where = "on the same connection or on one that the receiver opens, where block E names an address for it"
    return (
        "CA says that the message is stored for good: it is not sent again. The application's answer ends the delivery; it comes later, "
        f"{where}, and MSA-2 tells which message it is of. Where its MSH-15 asks for it, Padpost acknowledges it with CA once it is noted, or with CE. "
        "Until then, later messages of the same patient wait."
    )


def _mllp_rows(subject: Subject) -> Iterable[tuple[str, str, Row]]:
    for (code, reason), row in MLLP.items():
        enhanced = code == "CA" and subject.terms.asks_commit
        yield code, reason, ENHANCED[Asked(subject.terms.asks_application)] if enhanced else row


def _site_table(subject: Subject) -> tuple[AnswerTable, ...]:
    """Give what the laboratory has set for this receiver alone, where it has."""
    rows = tuple(
        AnswerRow(
            answer=when,
            reason="as named",
            means=means.value,
            why="Set by the laboratory for this receiver; goes before the tables below.",
        )
        for when, means in subject.site_answers.meanings.items()
    )
    return (AnswerTable(title="Set for this receiver", rows=rows),) if rows else ()


def _plain(rows: Iterable[tuple[str, Row]]) -> Iterable[tuple[str, str, Row]]:
    return ((str(key), "any", row) for key, row in rows)


def _table(title: str, rows: Iterable[tuple[str, str, Row]]) -> AnswerTable:
    return AnswerTable(
        title=title,
        rows=tuple(AnswerRow(answer=answer, reason=reason, means=row.answer.value, why=row.why) for answer, reason, row in rows),
    )


def volumes(subject: Subject) -> Block:
    """Block L."""
    used = strip_types(subject)
    low, high = sizes(subject.terms, subject.tables, used) if used else (0, 0)
    size = f"{low} to {high} bytes over every step of every pad and over long texts" if used else "not known without a source"
    rows = (
        Fact(name="message size", says=size),
        Fact(name="rate after an outage", says="as fast as the receiver answers; one message in flight a connection" if subject.door is Door.MLLP else "as fast as the receiver takes them; up to 4 patients' messages at once"),
    )  # fmt: skip
    pair = ("strips an hour and a day, and the peak", "agreement.volumes", subject.agreement.volumes)
    return _agreed_block("L", "Volumes", (Facts(title="As built", rows=rows),), (pair,), () if used else (NO_SOURCE,))


def downtime(subject: Subject) -> Block:
    """Block M."""
    words = Words(
        text="While the receiver is away, Padpost keeps every result on its disk and sends them in order once it is back; nothing is lost and "
        "nothing is sent twice under another number. While Padpost is away, the analyzers keep their strips: they are sent again from "
        "the analyzers' memory, and copies are found. After either, both sides compare what was sent with what stands in the record."
    )
    pair = ("paper rule, order of catching up, who compares", "agreement.downtime", subject.agreement.downtime)
    return _agreed_block("M", "Downtime", (words,), (pair,))


CASES: tuple[tuple[str, str, str], ...] = (
    ("Known patient", "a strip of a test patient", "the result stands in that patient's record, once, with every pad"),
    ("Unknown patient", "a strip of an ID that the receiver does not have", "an error answer; the strip stands on Padpost's page Rejected messages; nothing is filed"),
    ("Wrong check digit", "a strip of an ID with two digits exchanged", "nothing is sent; the strip waits at Padpost (where a check digit is set)"),
    ("Same message twice", "a message, its answer lost, then the same bytes again", "success, and one result in the record"),
    ("STAT", "an urgent strip behind routine ones", "it arrives first, and the record shows it as urgent"),
    ("Comparator", "a strip at the open top step of a scale", "the sign stands before the number in the record"),
    ("Unit", "one pad in each unit system that this destination gets", "number and unit in the record are those of the table"),
    ("Flag", "a normal and an abnormal step", "only the abnormal one is marked in the record"),
    ("Printed text", "a pad with a long or accented text", "the text as printed can be read, unchanged"),
    ("Control", "a control strip", "nothing arrives"),
    ("Analyzer's error", "a strip that the analyzer could not read", "nothing arrives; the strip waits at Padpost"),
    ("Outage", "three strips while the receiver is off, then on", "all three, in order, once"),
    ("Restart in the middle", "Padpost stopped while a message is in flight, then started", "one result in the record"),
    ("Clock change", "a strip in the hour that the clock repeats", "the offset in the message tells which hour"),
    ("Correction", "a result whose specimen number is corrected at Padpost", "one result in the record, marked as corrected, with what was reported before"),
    ("Wrong patient", "a result that is moved to another test patient at Padpost", "the first patient's is marked as posted in error before the second patient's arrives"),
)  # fmt: skip


CONTROL_ARRIVES = "it stands among the controls of its analyzer, and in no patient's record"


def validation(subject: Subject) -> Block:
    """Block N: the record to fill and keep."""
    steps = step_records(subject)
    cases = tuple(
        RecordRow(case=case, send=send, expected=CONTROL_ARRIVES if case == "Control" and subject.terms.non_patient else expected)
        for case, send, expected in CASES
    )
    words = Words(
        text="Fill in what stands in the record system's own screen, not what was sent; sign each row, and keep the whole. "
        "Go live only when every row is right. Use patients made for the test."
    )
    pair = ("when it is tried again", "agreement.recheck", subject.agreement.recheck)
    parts: tuple[Part, ...] = (words, Record(title="Cases", rows=cases))
    if steps:
        parts = (*parts, Record(title="Every step of every pad", rows=steps))
    else:
        parts = (*parts, Words(text="Not set: without a source there are no pads to try."))
    return _agreed_block("N", "Validation record", parts, (pair,), () if steps else (NO_SOURCE,))


def security(subject: Subject) -> Block:
    """Block O."""
    rows = (
        Fact(
            name="data",
            says="patient ID, name, birth date and sex as printed, specimen and order number, operator's number, urine strip results: health data",
        ),
        Fact(
            name="encryption on the way out",
            says="TLS" if subject.encrypted else "none by Padpost: use a protected network or a tunnel",
        ),
        Fact(name="sign-in", says=f"{subject.sign_in}; no secret stands in this document"),
        Fact(name="logs", says="hold no patient ID and no patient name"),
    )
    pair = ("accounts, log retention, remote support", "agreement.security", subject.agreement.security)
    return _agreed_block("O", "Security", (Facts(title="As built", rows=rows),), (pair,))


def changes(subject: Subject, shown: tuple[Shown, ...]) -> Block:
    """Block P."""
    rows = (
        Fact(name="Padpost", says=subject.version),
        Fact(name="table set, SHA-256", says=subject.tables.digest or "not computed"),
        Fact(name="table set signed", says=_signed(subject)),
        Fact(name="live", says=f"{'yes' if subject.terms.is_live else 'no'}: processing ID {subject.terms.processing_id}"),
        Fact(name="samples", says=str(len(shown))),
    )
    words = Words(
        text="Any change of a table, a setting or the program that changes a message changes this document's digest. "
        "Compare the digests before a change goes live, and try the changed rows of block N again. A named person of the laboratory checks "
        "and signs a table set before it serves a live destination: until then Padpost keeps the results and sends none of them."
    )
    pair = ("who approves, notice period, way back", "agreement.changes", subject.agreement.changes)
    return _agreed_block("P", "Change control", (Facts(title="Versions", rows=rows), words), (pair,))


def _signed(subject: Subject) -> str:
    signature = subject.signature
    if signature is None:
        return "not signed: nothing is sent" if subject.terms.is_live else "not signed; it must be before the destination is live"
    return f"by {signature.by}, {signature.at.isoformat(timespec='seconds')}{f': {signature.words}' if signature.words else ''}"
