"""One server for all tests that only look at it."""

import pytest

from tests.serving_tools import RunningServer, write_pages


@pytest.fixture(scope="session")
def pages(tmp_path_factory):
    """Return a folder with two notebooks, a text file and a notebook one folder down."""
    return write_pages(tmp_path_factory.mktemp("pages"))


@pytest.fixture(scope="session")
def server(pages, tmp_path_factory):
    """Return a running server; it starts kernels when asked, which is quicker for a page now and then."""
    with RunningServer(pages, tmp_path_factory.mktemp("work"), "--no-preheat") as running:
        yield running


@pytest.fixture(scope="session")
def opened(server):
    """Return the text of one opened workbook and the id of its kernel, for tests that leave both as they are."""
    return server.open_page()
