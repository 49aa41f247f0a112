"""JupyterLab itself, on this machine only: a notebook run with changed parameters in a browser."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from sewer_audit import sample_case
from test_report_browser import browser, needs_browser  # noqa: F401

ROOT = Path(__file__).parent.parent
OPEN, STEP = 120, 0.5
SET = """
const cells = window.jupyterapp.shell.currentWidget.content.widgets;
const cell = cells.find(c => c.model.sharedModel.getSource().includes('# Monte Carlo draws'));
cell.model.sharedModel.setSource(arguments[0]);
"""
STATE = """
const panel = window.jupyterapp.shell.currentWidget;
if (!panel || !panel.content || !panel.content.widgets) return null;
const cells = panel.content.widgets.filter(c => c.model.type === 'code');
const first = cells.map(c => c.model.sharedModel.execution_count);
const faults = cells.filter(c => c.model.sharedModel.outputs.some(o => o.output_type === 'error'));
return [panel.context.isReady && panel.sessionContext.isReady, cells.length, first,
        faults.map(c => JSON.stringify(c.model.sharedModel.outputs).slice(0, 600))];
"""


def wait_for(what, seconds: float = OPEN):
    """The first true answer, or a failure that says what never came."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        answer = what()
        if answer:
            return answer
        time.sleep(STEP)
    raise AssertionError(f"{getattr(what, '__doc__', None) or what} did not come in {seconds} s")


@pytest.fixture
def lab(tmp_path):
    """Address of a JupyterLab on loopback that sees only a folder of its own."""
    work, home = tmp_path / "work", tmp_path / "home"
    work.mkdir()
    shutil.copy(ROOT / "notebooks" / "effluent_flow.ipynb", work)
    places = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    environment = {
        **os.environ,
        **{name: str(home / name.lower()) for name in places},
        "JUPYTERLAB_SETTINGS_DIR": str(home / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
        "PYTHONPATH": str(ROOT),
        "MPLBACKEND": "agg",
    }
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--port=0"]
    command += ["--IdentityProvider.token=test", f"--ServerApp.root_dir={work}"]
    command += ["--LabApp.expose_app_in_browser=True", "--LabApp.news_url=None"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    log = (tmp_path / "log").open("w")
    process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    try:
        yield wait_for(lambda: _address(home / "jupyter_runtime_dir", process, tmp_path / "log"))
    finally:
        process.terminate()
        process.wait(timeout=30)
        log.close()


def _address(runtime: Path, process: subprocess.Popen, log: Path) -> str:
    """JupyterLab's address"""
    assert process.poll() is None, log.read_text()[-2000:]
    for path in runtime.glob("jpserver-*.json"):
        try:
            url = json.loads(path.read_text())["url"]
            urllib.request.urlopen(f"{url}api?token=test", timeout=5).close()
        except (OSError, ValueError):
            return ""
        return url
    return ""


@pytest.mark.slow
@needs_browser
def test_a_notebook_runs_in_jupyterlab_with_changed_parameters(lab, browser):  # noqa: F811
    case = sample_case().parent / "area_velocity"
    browser.set_window_size(1400, 1000)
    browser.get(f"{lab}lab/tree/effluent_flow.ipynb?token=test&reset")
    state = lambda: browser.execute_script(f"if (!window.jupyterapp) return null; {STATE}")  # noqa: E731
    wait_for(lambda: (state() or [False])[0])
    parameters = f'case: str = {str(case)!r}\ndraws: int = 500\nseed: int = 3\ndeliver_to: str = ""'
    parameters += "  # Monte Carlo draws"
    browser.execute_script(SET, parameters)
    browser.execute_script("window.jupyterapp.commands.execute('notebook:run-all-cells')")
    counts = wait_for(lambda: _done(state()), 240)
    assert len(counts) > 15
    text = browser.execute_script(
        "return window.jupyterapp.shell.currentWidget.content.widgets"
        ".filter(c => c.model.type === 'code')"
        ".map(c => JSON.stringify(c.model.sharedModel.outputs)).join(' ')"
    )
    assert "Pellworth Linen Works" in text and "Brindlemere" not in text
    _move_the_slider(browser)


def _done(state):
    """all cells run"""
    if not state:
        return None
    assert not state[3], state[3]
    return state[2] if all(state[2]) else None


def _move_the_slider(driver) -> None:
    """The view is drawn by the browser, and its sentence follows the slider."""
    place = (
        "const cells = window.jupyterapp.shell.currentWidget.content;"
        "const at = cells.widgets.findIndex("
        "c => c.model.sharedModel.getSource().includes('zero_slider(result)'));"
        "cells.activeCellIndex = at; cells.scrollToItem(at); return at"
    )
    driver.execute_script(place)
    wait_for(lambda: driver.find_elements("css selector", ".widget-slider .noUi-handle"))
    told = lambda: [  # noqa: E731
        e.text for e in driver.find_elements("css selector", ".widget-html-content") if e.text
    ]
    before = wait_for(told)
    from selenium.webdriver.common.keys import Keys

    handle = driver.find_element("css selector", ".widget-slider .noUi-handle")
    for _ in range(8):
        handle.send_keys(Keys.ARROW_RIGHT)
    after = wait_for(lambda: (told() != before and told()) or None)
    assert "Read too high by" in after[0] and after != before
