"""A fitted model on disk: arrays and a JSON header in an npz archive, which can run no code.

The archive is read with ``allow_pickle=False`` and bounded in size. Its header carries the format version, the fingerprint of what the
model belongs to (:mod:`~matchkit.learn.model.fingerprint`), the settings, the feature names and units, and a hash of every array, and is itself
sealed by one, so that a truncated, tampered, foreign or newer file is refused in words. It carries no clock time: the same playtests give
the same file.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import ModelError, SourceError
from matchkit.files import write_whole
from matchkit.learn.blend import Blend
from matchkit.learn.kept import blend_of, plain
from matchkit.learn.marks import NUMBERS, TEXTS, RatedTests
from matchkit.learn.model.fingerprint import fingerprint
from matchkit.score.features import FEATURES

FORMAT = "matchkit.model"
VERSION = 6
MAX_BYTES = 256 * 1024 * 1024
HEADER, SEAL = "header", "seal"
_TEXTS = ("marks", *TEXTS)
_FOUND = ("pull", "odd", "wider")
"""What the fit found of each mark."""
_NUMBERS = (*NUMBERS, *_FOUND)
_OPTIONAL = ("sessions", "ligatures", "contacts")


@dataclass(frozen=True)
class Belonging:
    """What a model belongs to: the hash of its rules, of each part it read, by table and id, and of each mark it was fitted to, by playtest."""

    rules: str
    data: Mapping[str, str]
    marks: Mapping[str, str]

    @property
    def fingerprint(self) -> str:
        """The one fingerprint of rules and data."""
        return fingerprint(self.rules, self.data)


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _arrays(blend: Blend, tests: RatedTests, belonging: Belonging) -> dict[str, NDArray[Any]]:
    arrays: dict[str, NDArray[Any]] = {
        name: np.array([item or "" for item in getattr(tests, name)], dtype=np.str_) for name in TEXTS
    }
    arrays["marks"] = np.array([belonging.marks[name] for name in tests.ids], dtype=np.str_)
    numbers = {name: getattr(tests, name) for name in NUMBERS}
    kept = plain(blend)["marks"]
    for name in _FOUND:
        numbers[name] = np.zeros(len(tests))
        for instrument, rows in tests.by_instrument().items():
            numbers[name][rows] = kept[instrument][name]
    return arrays | {name: np.ascontiguousarray(array, dtype="<f8") for name, array in numbers.items()}


def _header(blend: Blend, arrays: dict[str, NDArray[Any]], belonging: Belonging) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": VERSION,
        "rules": belonging.rules,
        "data": dict(belonging.data),
        "model": {name: value for name, value in plain(blend).items() if name != "marks"},
        "features": {name: scale.unit for name, scale in constants.FEATURE_SCALES.items()},
        "arrays": {name: _array_digest(array) for name, array in arrays.items()},
    }


def _array_digest(array: NDArray[Any]) -> str:
    if array.dtype.kind == "U":
        return _digest("\0".join(array.tolist()).encode())
    return _digest(str(array.shape).encode() + array.tobytes())


def save_model(blend: Blend, tests: RatedTests, path: Path, *, belonging: Belonging) -> None:
    """Write a model whole or not at all; raises ModelError where the place cannot be written."""
    arrays = _arrays(blend, tests, belonging)
    header = json.dumps(_header(blend, arrays, belonging), sort_keys=True)

    def write(file: IO[bytes]) -> None:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            for key, array in {HEADER: np.array(header), SEAL: np.array(_digest(header.encode())), **arrays}.items():
                entry = zipfile.ZipInfo(f"{key}.npy", date_time=(1980, 1, 1, 0, 0, 0))
                entry.compress_type = zipfile.ZIP_DEFLATED
                with archive.open(entry, "w") as member:
                    np.lib.format.write_array(member, array, allow_pickle=False)

    try:
        write_whole(path, write)
    except SourceError as error:
        raise ModelError(str(error)) from error


def load_model(path: Path) -> tuple[Blend, Belonging]:
    """Read a model and what it belongs to.

    Raises ModelError for a file that is missing, truncated, too large, tampered with, foreign or newer.
    """
    found = _read(path)
    header = _read_header(path, found)
    arrays = {name: found[name] for name in (*_TEXTS, *_NUMBERS)}
    for name, array in arrays.items():
        if header["arrays"].get(name) != _array_digest(array):
            raise ModelError(f"{path}: the array {name} is not the one that was saved; train the model again")
    try:
        tests = _tests(arrays)
        marks = dict(zip(tests.ids, (str(mark) for mark in arrays["marks"]), strict=True))
        data = {str(name): str(value) for name, value in header["data"].items()}
        belonging = Belonging(str(header["rules"]), data, marks)
        found_of = {
            instrument: {name: arrays[name][rows] for name in _FOUND} for instrument, rows in tests.by_instrument().items()
        }
        blend = blend_of({**header["model"], "marks": found_of}, tests)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise ModelError(f"{path}: its header does not fit its arrays ({error})") from error
    return blend, belonging


def _read(path: Path) -> dict[str, NDArray[Any]]:
    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
        if size > MAX_BYTES:
            raise ModelError(f"{path}: {size} bytes unpacked; expected at most {MAX_BYTES}")
        with np.load(path, allow_pickle=False) as archive:
            return {name: archive[name] for name in archive.files}
    except FileNotFoundError as error:
        raise ModelError(f"{path}: no such model file; matchkit train writes one") from error
    except OSError as error:
        raise ModelError(f"{path}: cannot be read ({error.strerror or error})") from error
    except (zipfile.BadZipFile, ValueError, EOFError, KeyError, NotImplementedError, zlib.error) as error:
        raise ModelError(f"{path}: not a whole model file ({error})") from error


def _read_header(path: Path, found: dict[str, NDArray[Any]]) -> dict[str, Any]:
    try:
        header = json.loads(str(found[HEADER]))
        foreign = header["format"] != FORMAT
    except (KeyError, TypeError, ValueError) as error:
        raise ModelError(f"{path}: not a matchkit model: it has no header") from error
    if foreign:
        raise ModelError(f"{path}: not a matchkit model, but {header['format']!r}")
    if header.get("version") != VERSION:
        raise ModelError(f"{path}: a model of version {header.get('version')}; this matchkit reads version {VERSION}")
    if str(found.get(SEAL)) != _digest(str(found[HEADER]).encode()):
        raise ModelError(f"{path}: its header is not the one that was saved; train the model again")
    missing = [name for name in (*_TEXTS, *_NUMBERS) if name not in found or name not in header.get("arrays", {})]
    if missing:
        raise ModelError(f"{path}: not a whole model file (without {', '.join(missing)})")
    return dict(header)


def _tests(arrays: dict[str, NDArray[Any]]) -> RatedTests:
    count = len(arrays["ids"])
    if any(len(array) != count for array in arrays.values()) or arrays["features"].shape[1:] != (len(FEATURES),):
        raise ValueError("arrays of different lengths")
    columns: dict[str, Any] = {name: tuple(str(item) for item in arrays[name]) for name in _TEXTS}
    for name in _OPTIONAL:
        columns[name] = tuple(item or None for item in columns[name])
    del columns["marks"]
    columns.update({name: arrays[name] for name in NUMBERS})
    if not all(np.all(np.isfinite(arrays[name])) for name in _NUMBERS) or np.any(arrays["weight"] <= 0):
        raise ValueError("numbers that are not finite")
    return RatedTests(**columns)
