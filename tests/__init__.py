"""The tests, by room; `python -m tests` runs them all."""
