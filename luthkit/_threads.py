"""One thread for small matrices: on a laptop, BLAS threads that wait for each other cost more than they bring."""

import sys
from functools import lru_cache, wraps


def one_thread(function):
    """Decorator: run `function` with BLAS held to one thread, and give the threads back afterwards."""

    @wraps(function)
    def held(*args, **kwargs):
        with _libraries(len(sys.modules)).limit(limits=1):
            return function(*args, **kwargs)

    return held


@lru_cache(maxsize=1)
def _libraries(n_modules):  # a library comes with a module: they are looked for again (1 to 4 ms) when one was loaded
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
