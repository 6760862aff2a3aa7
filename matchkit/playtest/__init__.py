"""Playtests that teach: writing them down, planning them blind, analysing them, and choosing what to play next."""
