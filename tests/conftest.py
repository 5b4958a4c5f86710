"""Which tests run beside others and which by themselves: see `tests.__main__`."""

import pytest

ALONE = ("serving", "packaging")
"""Folders whose tests start servers or build environments, and wait for them."""


def pytest_collection_modifyitems(items):
    """Mark what must not share the machine."""
    for item in items:
        if item.path.parent.name in ALONE:
            item.add_marker(pytest.mark.alone)
