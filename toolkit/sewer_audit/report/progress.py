"""How far a long computation has come, shown in a notebook that somebody sits before.

The library reports its steps to a callback and shows nothing itself. This is the callback for a
notebook: one line with a bar, gone when the work is done, so that no page and no committed notebook
holds it. It stays silent where nobody watches: outside a kernel, and where a program runs the
notebook (an export, a test), which a kernel can tell because such a front end takes no input.
"""

from __future__ import annotations

import html
from collections.abc import Callable
from typing import Any


def somebody_watches() -> bool:
    """Whether this code runs in a kernel whose front end can ask a person.

    Notes
    -----
    The request that runs a cell says whether its sender can be asked for input.

    References
    ----------
    Messaging in Jupyter, execute request, field allow_stdin.
    """
    try:
        from IPython import get_ipython
    except ImportError:
        return False
    kernel = getattr(get_ipython(), "kernel", None)
    if kernel is None:
        return False
    try:
        return bool(kernel.get_parent("shell")["content"]["allow_stdin"])
    except (AttributeError, KeyError, TypeError):
        return False


def step_bar(work: str = "audit") -> Callable[[str, float], None]:
    """A bar for one computation, as the callback `audit` and `make_plan` report their steps to.

    Returns
    -------
    callable
        Takes the step that begins [text] and the share of the work done [-]; at a share of 1 the
        bar is taken away. It does nothing where nobody watches.

    Examples
    --------
    >>> result = audit(case, progress=step_bar())       # doctest: +SKIP
    """
    if not somebody_watches():
        return _silent
    return _Bar(work)


def _silent(step: str, share: float) -> None:
    """Shows nothing."""


class _Bar:
    """One display that is updated in place."""

    def __init__(self, work: str) -> None:
        self.work, self.handle = work, None

    def __call__(self, step: str, share: float) -> None:
        from IPython.display import clear_output, display

        if share >= 1:
            clear_output()
        elif self.handle is None:
            self.handle = display(self._data(step, share), raw=True, display_id=True)
        else:
            self.handle.update(self._data(step, share), raw=True)

    def _data(self, step: str, share: float) -> dict[str, Any]:
        plain = f"{self.work}: {step}, {100 * share:.0f} % done"
        bar = f'<progress max="1" value="{share:.2f}" style="width: 14em"></progress>'
        return {"text/plain": plain, "text/html": f"{bar} {html.escape(plain)}"}
