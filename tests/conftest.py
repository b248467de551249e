"""``pytest --slow`` runs everything; without it what takes longest, and is tested elsewhere in part, is left out."""

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("loaded machine", suppress_health_check=[HealthCheck.too_slow], deadline=None)
settings.load_profile("loaded machine")


def pytest_addoption(parser):
    parser.addoption("--slow", action="store_true", help="run the slow tests too")


def pytest_configure(config):
    config.addinivalue_line("markers", "slow: builds a whole shot to look at one thing; run with --slow")


def pytest_collection_modifyitems(config, items):
    if config.getoption("--slow"):
        return
    skip = pytest.mark.skip(reason="slow; run with --slow")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(skip)
