"""The bench page as a notebook widget: state to the browser, messages from it.

The browser sends messages and never sets the state; after each message the whole state goes
back, with the message's number, so that the page knows what was answered.
"""

from pathlib import Path
from typing import Any

import anywidget
import traitlets

from reedlab.page.desk import Desk
from reedlab.study import Study

_HERE = Path(__file__).parent
#: Joined to one script, for the browser loads a single one.
SCRIPTS = ("parts.js", "sound.js", "trace.js", "recorder.js", "drawing.js", "page.js")
FAILED = (
    "This failed in the kernel, and nothing new was saved; the log of the notebook server says "
    "more. What is listed as saved is on disk."
)


class BenchPage(anywidget.AnyWidget):
    """The bench page; made by :func:`reedlab.bench`.

    Parameters
    ----------
    desk : Desk
    """

    _esm = "\n".join((_HERE / name).read_text("utf-8") for name in SCRIPTS)
    _css = (_HERE / "page.css").read_text("utf-8")
    state = traitlets.Dict().tag(sync=True)

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        super().__init__(state=desk.state() | {"answered": 0})
        self.on_msg(self._answer)

    @property
    def study(self) -> Study:
        """The study as it stood on disk after the last save."""
        return self._desk.study

    def __repr__(self) -> str:
        state = self.state
        return (
            f"<Bench page of '{state['title']}', batch {state['batch']}, session "
            f"{state['session']}: {state['done']} of {len(state['order'])} reeds tested>"
        )

    def _answer(self, _: Any, message: dict[str, Any], buffers: list[Any]) -> None:
        number = message.get("n", 0)
        try:
            self._desk.handle(message, buffers)
            state = self._desk.state()
        except Exception:
            told = {"message": {"kind": "bad", "text": FAILED}, "answered": number}
            self.state = {**self.state, **told}
            raise
        self.state = state | {"answered": number}
