"""Records are frozen, and take no attribute that they do not name."""

import dataclasses
import importlib
import pkgutil

import pytest

import boreline.expansion
import boreline.geometry
import boreline.sizing

RECORDS = sorted(
    {
        value
        for package in (boreline.geometry, boreline.sizing, boreline.expansion)
        for module in pkgutil.iter_modules(package.__path__, package.__name__ + ".")
        for value in vars(importlib.import_module(module.name)).values()
        if dataclasses.is_dataclass(value) and value.__module__ == module.name
    },
    key=lambda record: record.__qualname__,
)


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.__qualname__)
def test_a_record_is_frozen(record: type) -> None:
    empty = object.__new__(record)
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(empty, dataclasses.fields(record)[0].name, None)
    assert not hasattr(empty, "__dict__")


def test_there_are_records_in_each_package() -> None:
    assert {record.__module__.split(".")[1] for record in RECORDS} == {"geometry", "sizing", "expansion"}
