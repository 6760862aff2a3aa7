"""The way in: :func:`open_house` opens a house, and a :class:`House` answers one question a method."""

from matchkit.house.house import House
from matchkit.house.opening import open_house

__all__ = ["House", "open_house"]
