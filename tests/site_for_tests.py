"""A site with a source and a destination of each format, and its right lines replaced by wrong ones."""

from __future__ import annotations

from pathlib import Path

from bridge import settings

SITE = r"""
site: {name: Test Clinic, zone: Europe/Lisbon, data: store}
pages: {port: 0}
accounts: {sign_in: none}
patient_ids:
  pattern: '\d{8}'
  check_digit: luhn
  denied: ["00000000"]
  denied_patterns: ["9+"]
  authority: TEST
  type: PI
  system: "urn:example:test"
checks: {rerun_window_minutes: 7, future_tolerance_minutes: 3, oldest_days: 11}
sources:
  - {name: drops, kind: folder, path: drops, analyzer: bench-b, profile: tern}
destinations:
  - {name: records, kind: mllp, host: 127.0.0.1, port: 1, zone: UTC, charset: 8859/1, values: [si], processing_id: T,
     sending_application: APP, sending_facility: WARD, receiving_application: REC, receiving_facility: HOME,
     observed_at: empty, local_codes: false, format: oul_r22, equipment: false, operator: false, units: {"/uL": "cells/uL"}, orders: single,
     order_authority: WARDS, message_profile: agreed, controls: true, laboratory: {name: Lab, city: Town}, provider: {number: "7", family: Able}}
  - {name: chart, kind: fhir, base_url: "http://127.0.0.1:1/fhir", result_system: "urn:example:results", format: fhir_us, processing_id: D,
     pointers: {patient: conditional, order: literal, order_system: "urn:example:orders"}}
  - {name: outbox, kind: folder, path: out, format: fhir, processing_id: T}
  - {name: plain, kind: folder, path: out, processing_id: T}
"""


def site(folder: Path, right: str = "", wrong: str = "") -> settings.Settings:
    assert right in SITE
    path = folder / "site.yaml"
    path.write_text(SITE.replace(right, wrong, 1) if right else SITE, encoding="utf-8")
    return settings.read_settings(path)
