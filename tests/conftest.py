"""What the tests share: the demo house, opened once."""

from __future__ import annotations

import pytest

import matchkit as mk


@pytest.fixture(scope="session")
def house() -> mk.House:
    return mk.open()
