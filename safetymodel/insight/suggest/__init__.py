"""Suggested conditions: what would keep a broken requirement, as a game against people, faults and time."""
