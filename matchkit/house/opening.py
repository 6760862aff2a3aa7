"""The way in: a house is opened from its tables, with the model that lies beside them."""

from __future__ import annotations

from pathlib import Path

from matchkit.errors import SourceError
from matchkit.files import cache_folder, shipped
from matchkit.house.house import House
from matchkit.tables.store import read_tables

MODEL_FILE = "model.npz"


def open_house(source: str | Path | None = None, *, model: str | Path | None = None, cache: bool = True) -> House:
    """Open a house from its tables.

    A model counts as long as it belongs to the parts, weights and constants as they are now: playtests logged since are counted in, and one that
    belongs to something else is not used, which :attr:`House.model` says.

    Parameters
    ----------
    source
        a directory of csv tables, an xlsx workbook, or a shop's record (SQLite file or URL); by default the demo house
    model
        a file that ``train`` wrote; by default ``model.npz`` in a folder of tables, ``shop.model.npz`` beside ``shop.sqlite`` or ``shop.xlsx``
    cache
        keep fitted facings, solved contacts and fitted models on this machine for the next time

    Raises
    ------
    DataError
        with every problem of the tables
    SourceError
        where there is nothing to read
    ModelError
        for a named model that cannot be read

    Examples
    --------
    >>> house = open_house()
    >>> len(house.tables.mouthpieces) >= 30
    True
    """
    tables = read_tables(shipped("data/demo") if source is None else source)
    folder = cache_folder() if cache else None
    beside = _shipped_model() if source is None else _beside(source)
    return House(tables, demo=source is None, model=None if model is None else Path(model), beside=beside, cache=folder)


def _shipped_model() -> Path | None:
    try:
        return shipped("models/demo.npz")
    except SourceError:
        return None


def _beside(source: str | Path) -> Path | None:
    """Return where the model of a house lies: in its folder, or beside its workbook or SQLite file, by its name; None for a server."""
    text = str(source)
    if "://" in text:
        return None
    place = Path(text)
    return place / MODEL_FILE if place.is_dir() else place.with_name(f"{place.stem}.{MODEL_FILE}")
