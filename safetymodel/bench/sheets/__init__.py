"""Commissioning sheets: test plans of few walks, put into rows for people or worked by the bench."""
