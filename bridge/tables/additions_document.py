"""The shape of the file of what people may add to strips: plain values go in (what a YAML file holds), frozen shapes come out."""

from __future__ import annotations

from pydantic import Field

from bridge.tables.documents import FileKey, Shape, Words


class SeenRow(Shape):
    """A colour or a clarity that may be added: a word of the catalogue's pad, and whether it is abnormal here."""

    word: str = Field(min_length=1, max_length=40)
    abnormal: bool


class SpecimenTypeRow(Shape):
    """A type of specimen that may be added: its code in HL7 table 0487, and its words."""

    key: FileKey
    code: str = Field(pattern=r"^[A-Z]{2,10}$")
    text: str = Field(min_length=1, max_length=60)
    source: Words


class AdditionsDocument(Shape):
    """What people may add to strips, in the order in which the form shows it. It counts where a source of the site's file asks for it (`additions`)."""

    colour: tuple[SeenRow, ...] = Field(min_length=2)
    clarity: tuple[SeenRow, ...] = Field(min_length=2)
    specimen_type: tuple[SpecimenTypeRow, ...] = Field(min_length=2)
    source: Words
