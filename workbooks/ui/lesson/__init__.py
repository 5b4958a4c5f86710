"""The lesson: predict, see it computed, learn why."""
