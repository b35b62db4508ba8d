"""Work that can be stopped: in a thread of its own, with one outcome, settled by the one who waits for it."""

from __future__ import annotations

import ctypes
import threading
import time
from collections.abc import Callable

TICK_S = 1.0
_LOOK_S = 0.01
_AGAIN_S = 0.5
_TURN = threading.Lock()  # one work after the other: each wants the whole computer, and what it keeps helps the next


class Stopped(BaseException):
    """The maker pressed Stop."""


class Task:
    """`act` at work in a thread. It runs once: `wait` for it, while `stop` may be called from anywhere. It begins
    when no other is at work any more, at `began_s` of `time.monotonic()`.

    `Stopped` is sent into that thread only while the thread stands inside its own guard, which it leaves no sooner
    than `wait` has shut the gate for further ones. So it can never strike whoever shows the result: either the work
    was done in time and its result counts, or it was not, and `wait` raises `Stopped`. The guard uses plain flags:
    an exception from outside may strike between taking a lock and giving it back, and nobody could enter any more.
    """

    def __init__(self, act: Callable):
        self._act = act
        self._gate = threading.Lock()  # for those outside; the thread at work never takes it
        self._begun = self._over = self._dismissed = self._shut = self._called_off = False
        self.began_s = self._sent_s = float("-inf")
        self._result: list = []
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def wait(self, tick: Callable = lambda: None):
        """Begin, call `tick` then and once a second, and give back what `act` gives; raises what it raises, or
        `Stopped`."""
        while not _TURN.acquire(timeout=_LOOK_S):
            if self._called_off:
                raise Stopped
        try:
            self.began_s = told_s = time.monotonic()
            self._thread.start()
            tick()
            while not self._over and self._thread.is_alive():
                time.sleep(_LOOK_S)
                if time.monotonic() - told_s > TICK_S:
                    told_s = time.monotonic()
                    tick()
            with self._gate:
                self._shut = True
            self._dismissed = True
            self._thread.join()
        finally:
            _TURN.release()
        if self._result:
            return self._result[0]
        raise self._error or Stopped

    def stop(self) -> None:
        """End the work at its next step, or before it begins; of no effect when it is done, or when just called."""
        self._called_off = True
        with self._gate:
            now_s = time.monotonic()
            if self._begun and not self._shut and now_s - self._sent_s > _AGAIN_S:
                self._sent_s = now_s
                ident = ctypes.c_ulong(self._thread.ident)
                ctypes.pythonapi.PyThreadState_SetAsyncExc(ident, ctypes.py_object(Stopped))

    def _run(self):
        while not self._dismissed:
            try:
                if not self._begun:
                    self._begun = True
                    if not self._called_off:
                        self._work()
                self._over = True
                while not self._dismissed:
                    time.sleep(_LOOK_S)
            except BaseException as error:
                self._error = error

    def _work(self):
        try:
            self._result.append(self._act())
        except Exception as error:
            self._error = error
