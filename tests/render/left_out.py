"""What the published mapping does not bring over of our ORU^R01, and which of its rows for our fields are never for us; each with its reason."""

from __future__ import annotations

from collections.abc import Mapping

# What the message has and the mapping does not bring over: a component without a row that takes it, or a row that cannot be applied.
NOT_APPLIED: Mapping[str, str] = {
    "MSH-1.1": "separators, not content",
    "MSH-2.1": "separators, not content",
    "MSH-3.1": "MessageHeader, see below",
    "MSH-4.1": "MessageHeader, see below; our performer where no operator is known",
    "MSH-5.1": "MessageHeader, see below",
    "MSH-6.1": "MessageHeader, see below",
    "MSH-9.1": "MessageHeader, see below",
    "MSH-9.2": "MessageHeader, see below",
    "MSH-9.3": "MessageHeader, see below",
    "MSH-11.1": "MessageHeader, see below",
    "MSH-12.1": "no row: the version of HL7 v2",
    "MSH-18.1": "undecided in the map; JSON is UTF-8",
    "PID-1.1": "no row: a set ID",
    "PID-5.7": "name type U has no target",
    "ORC-1.1": "no row in the map to DiagnosticReport: an order's control code",
    "ORC-3.2": "undecided in the map (EI.2, the namespace); our identifier has a system instead",
    "OBR-1.1": "no row: a set ID",
    "OBR-3.1": "taken from ORC-3, which holds the same (its rows ask for an empty ORC-3)",
    "OBR-3.2": "as OBR-3.1",
    "OBR/NTE-1.1": "no target in the message map for a note on the order",
    "OBR/NTE-2.1": "no target in the message map for a note on the order",
    "OBR/NTE-3.1": "no target in the message map for a note on the order; our Observations carry it",
    "TQ1-1.1": "no target in the message map for TQ1",
    "TQ1-9.1": "no target in the message map for TQ1: a STAT is not said in FHIR, on either side",
    "TQ1-9.2": "as TQ1-9.1",
    "TQ1-9.3": "as TQ1-9.1",
    "OBX-1.1": "no row: a set ID; the order is that of DiagnosticReport.result",
    "OBX-2.1": "no target: it decides which value[x] OBX-5 becomes",
    "OBX/NTE-1.1": "no row: a set ID",
    "OBX/NTE-2.1": "no row: where the note comes from",
    "SPM-1.1": "no row: a set ID",
    "SPM-11.1": "no row: the specimen's role is not mapped, so a control must never be sent among patients",
    "SPM-11.2": "as SPM-11.1",
    "SPM-11.3": "as SPM-11.1",
    "message ORU_R01 ORU_R01.MSH -> MessageHeader[1]": "heads a FHIR message; a transaction has none, its way is HTTP's",
    "message ORU_R01 ORU_R01.MSH -> Provenance[1]": "we send no Provenance; the map MSH[Provenance-Source] is not kept here",
    "message ORU_R01 ORU_R01.MSH -> Provenance[2]": "as above, MSH[Provenance-Transformation]",
    "OBX[Observation] OBX-19 -> extension[2].url": "the row, as kept, assigns no URL",
    "datatype EI[Identifier-Extension] EI.2 -> extension??-assigningauthority.nameSpaceID": "undecided in the map",
    "datatype XPN[HumanName] XPN.7 -> [1].use": "name type U has no target",
}

# Conditions of rows for fields that we send, of which none is true of any of our messages.
_VALUE_TYPE = "our OBX-2 is NM, SN, ST or CWE"
_SIMPLE_SN = "our SN is a comparator and one number"
_NO_ORDER = "nobody ordered these strips: ORC-2 is empty, and there is no request to tell of"
NEVER_TRUE: Mapping[str, str] = {
    **{f'IF OBX-2 EQUALS "{each}"': _VALUE_TYPE for each in ("CE", "CF", "CNE", "DR", "IS", "NA", "NR", "RP", "TM", "VR")},
    'IF OBX-2 EQUALS "ED" AND IF OBX-5.4 EQUALS "Base64"': _VALUE_TYPE,
    'IF OBX-2 IN ("DTM", "DT")': _VALUE_TYPE,
    'IF (OBX-2 EQUALS "SN" AND OBX-5.1 EQUALS "<>"': _SIMPLE_SN,
    'IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 EQUALS "+"': _SIMPLE_SN,
    'IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 EQUALS "-"': _SIMPLE_SN,
    'IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 IN (":", "/")': _SIMPLE_SN,
    "If SN.3 OR SN.4 VALUED": _SIMPLE_SN,
    'IF (OBX-5 LST.count GREATER THAN 1 AND OBX-2 IS NOT "NA") AND OBX-29 NOT IN ("QST", "SCI")': "our OBX-5 does not repeat",
    "IF OBR-8 VALUED": "a strip is read at one moment",
    "IF SPM-17.2 VALUED": "a specimen is collected at one moment",
    'IF OBX-11 IS "N"': "our OBX-11 is F or C",
    'IF OBX-11 IS "X"': "our OBX-11 is F or C",
    "If CWE.2 IS NOT VALUED": "our units have code and text",
    "ORC-3 empty or no ORC": "our ORC-3 is always there",
    "If a ServiceRequest needs to be created for the receiver.": _NO_ORDER,
    "IF ORC VALUED; If a ServiceRequest needs to be created for the receiver.": _NO_ORDER,
    "IF PID-33 AND PID-34 VALUED": "we send neither",
    "narrative condition, see source map": "CX.4 is a system that both sides agreed on; an SN is taken by an earlier row",
}
