"""BLAS is held to one thread, also a library that is loaded later, and gets its threads back."""

import subprocess
import sys

PROGRAM = """
import numpy
from threadpoolctl import threadpool_info, threadpool_limits
from luthkit._threads import one_thread

def threads():
    return [library["num_threads"] for library in threadpool_info()]

held = one_thread(threads)
nested = one_thread(held)

@one_thread
def spoilt():
    raise ZeroDivisionError

for late in (False, True):
    if late:
        import scipy.linalg  # brings a library of its own
    threadpool_limits(limits=2)
    found = threads()
    assert all(n == 2 for n in found)
    assert held() == nested() == [1] * len(found), (late, held(), nested())
    try:
        spoilt()
    except ZeroDivisionError:
        assert threads() == found
"""


def test_blas_has_one_thread_inside_and_its_own_outside():
    subprocess.run([sys.executable, "-W", "error", "-c", PROGRAM], check=True)
