"""A site configuration to read, and to spoil."""

from __future__ import annotations

from pathlib import Path

GOOD = """\
site:
  name: Saltmarsh Clinic
  zone: Europe/Lisbon
  data: store
patient_ids:
  pattern: '\\d{8}'
  authority: SALTMARSH
  system: urn:example:saltmarsh
sources:
  - name: bench-line
    kind: serial
    port: /dev/ttyS9
    link: lis01
    analyzer: bench-a
    profile: brook
  - name: drops
    kind: folder
    path: drops
    analyzer: bench-b
    profile: tern
destinations:
  - name: records
    kind: mllp
    host: 127.0.0.1
    port: 2575
"""
FHIR_SITE = (
    GOOD[: GOOD.index("destinations:")]
    + """\
destinations:
  - name: record
    kind: fhir
    base_url: http://127.0.0.1:9/r4
    result_system: urn:example:results
"""
)


def write(folder: Path, text: str) -> Path:
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return path
