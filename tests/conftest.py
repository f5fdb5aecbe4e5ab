"""What holds for every test: a skip has a reason, and on the build machine only tests/real may skip."""

import os

import pytest


def _outside_real(report: pytest.TestReport) -> bool:
    return "tests/real/" not in report.nodeid.replace("\\", "/")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what this machine lacks."""
    skipped = [r for r in terminalreporter.stats.get("skipped", []) if isinstance(r, pytest.TestReport)]
    if skipped and os.environ.get("DOMATIA_NO_SKIP") == "1":
        wrong = [r.nodeid for r in skipped if _outside_real(r)]
        if wrong:
            terminalreporter.section("skipped where nothing may be skipped")
            for name in wrong:
                terminalreporter.write_line(name)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail the run if something was skipped that must not be."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("DOMATIA_NO_SKIP") != "1" or not isinstance(reporter, pytest.TerminalReporter):
        return
    skipped = [r for r in reporter.stats.get("skipped", []) if isinstance(r, pytest.TestReport)]
    if any(_outside_real(r) for r in skipped):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
