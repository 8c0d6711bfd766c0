"""Invented reviews for the pages: every number here is made up, none comes from a car or a trap."""

from __future__ import annotations
