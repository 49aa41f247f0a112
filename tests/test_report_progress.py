"""How far the work has come is shown to a person before a notebook, and to nobody else.

The marker of such a person: the front end that runs a cell says whether it can be asked for input
(Messaging in Jupyter, execute request, allow_stdin; from memory).
"""

from __future__ import annotations

import nbformat
import pytest
from jupyter_client.manager import start_new_kernel

from sewer_audit import audit, load_case, sample_case
from sewer_audit.planning import make_plan
from sewer_audit.report.folder.running import run_notebook
from sewer_audit.report.progress import somebody_watches, step_bar

CELL = """
from sewer_audit import audit, load_case, sample_case
from sewer_audit.report.progress import step_bar
result = audit(load_case(sample_case("manning")), draws=300, progress=step_bar())
result.draws
"""


@pytest.fixture(scope="module")
def kernel():
    manager, client = start_new_kernel(kernel_name="python3")
    yield client
    client.stop_channels()
    manager.shutdown_kernel(now=True)


def messages(client, allow_stdin: bool) -> list[dict]:
    """What a kernel sends while it runs the cell."""
    seen: list[dict] = []
    reply = client.execute_interactive(
        CELL, allow_stdin=allow_stdin, output_hook=seen.append, timeout=120
    )
    assert reply["content"]["status"] == "ok", reply["content"]
    return seen


def of_kind(seen: list[dict], kind: str) -> list[dict]:
    return [each["content"] for each in seen if each["msg_type"] == kind]


def test_a_person_sees_a_bar_that_moves_and_goes(kernel):
    seen = messages(kernel, allow_stdin=True)
    first, moved = of_kind(seen, "display_data"), of_kind(seen, "update_display_data")
    assert len(first) == 1 and len(moved) >= 3
    assert "<progress" in first[0]["data"]["text/html"]
    assert {m["transient"]["display_id"] for m in moved} == {first[0]["transient"]["display_id"]}
    said = [m["data"]["text/plain"] for m in (*first, *moved)]
    shares = [int(text.split(", ")[-1].removesuffix(" % done")) for text in said]
    assert shares == sorted(set(shares)) and shares[0] == 0 and shares[-1] < 100
    assert "recomputing the invoices" in " ".join(said)
    kinds = [each["msg_type"] for each in seen]
    assert kinds.index("clear_output") > kinds.index("update_display_data")
    assert kinds.index("execute_result") > kinds.index("clear_output")  # nothing else is cleared


def test_a_program_that_runs_the_cell_sees_none(kernel):
    seen = messages(kernel, allow_stdin=False)
    assert not of_kind(seen, "display_data") and not of_kind(seen, "clear_output")
    assert not of_kind(seen, "stream")
    assert of_kind(seen, "execute_result")[0]["data"]["text/plain"] == "300"


def test_a_notebook_that_is_run_for_a_page_holds_no_bar(tmp_path):
    notebook = nbformat.v4.new_notebook()
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    notebook.metadata.kernelspec = kernel
    given = nbformat.v4.new_code_cell("draws: int = 300", metadata={"tags": ["parameters"]})
    notebook.cells = [given, nbformat.v4.new_code_cell(CELL)]
    nbformat.write(notebook, tmp_path / "work.ipynb")
    executed = run_notebook(tmp_path / "work.ipynb", {}, progress=False)
    outputs = [output for cell in executed.cells for output in cell.get("outputs", [])]
    assert [output.output_type for output in outputs] == ["execute_result"]


def test_outside_a_kernel_nothing_is_shown(capsys):
    assert not somebody_watches()
    step_bar()("reading", 0.5)
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("work", "name"), [(audit, "manning"), (make_plan, "before_a_logger")], ids=["audit", "plan"]
)
def test_the_library_tells_its_steps_and_prints_nothing(work, name, capsys):
    told: list[tuple[str, float]] = []
    case = load_case(sample_case(name))
    work(case, draws=300, progress=lambda *step: told.append(step))
    shares = [share for _, share in told]
    assert shares[0] == 0 and shares[-1] == 1 and shares == sorted(shares) and len(told) >= 4
    assert capsys.readouterr() == ("", "")
