"""One thread for small matrices: on a laptop, BLAS threads that wait for each other cost more than they bring."""

from functools import wraps


def one_thread(function):
    """Decorator: run `function` with BLAS held to one thread, and give the threads back afterwards."""

    @wraps(function)
    def held(*args, **kwargs):
        from threadpoolctl import threadpool_limits

        with threadpool_limits(limits=1):
            return function(*args, **kwargs)

    return held
