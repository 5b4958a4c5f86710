"""Benchmarks run only when asked: ``python -m pytest tests/bench --benchmark-only``. Otherwise nothing is collected."""


def pytest_ignore_collect(collection_path, config):
    if collection_path.suffix == ".py" and not config.getoption("--benchmark-only"):
        return True
    return None
