"""Every field that the page offers is one that the job file knows, of the kind that is said."""

from __future__ import annotations

import typing

import pytest
from pydantic import BaseModel

from newel.app.job_file import JobDocument
from newel.app.page.overrule import FIELDS, LISTED, JobField


def _known(field: JobField) -> dict[str, typing.Any]:
    document: type[BaseModel] = JobDocument
    if field.table:
        annotation = JobDocument.model_fields[field.table].annotation
        document = typing.get_args(annotation)[0] if field.many else annotation
    return dict(document.model_json_schema(mode="validation"))


@pytest.mark.parametrize("field", [*FIELDS, *LISTED], ids=lambda field: f"{field.table}.{field.key}")
def test_the_job_file_knows_the_field(field: JobField) -> None:
    schema = _known(field)
    assert field.key in schema["properties"]
    if field.kind == "choice":
        told = str(schema["properties"][field.key]) + str(schema.get("$defs", {}))
        assert all(f"'{choice}'" in told for choice in field.choices)


def test_all_that_is_asked_of_sides_holes_surfaces_and_ornament_is_offered() -> None:
    for table in ("sides", "bevel", "thread", "surface", "ornament"):
        offered = [field for field in (*FIELDS, *LISTED) if field.table == table]
        assert {field.key for field in offered} == set(_known(offered[0])["properties"]), table
