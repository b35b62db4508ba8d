"""BLAS on one thread for all tests: small matrices on few cores, and several tests at once."""

import numpy.linalg  # noqa: F401  (loads its BLAS before it is held)
import scipy.linalg  # noqa: F401
from threadpoolctl import threadpool_limits

threadpool_limits(limits=1)
