"""What all tests share: a cache of compiled kernels of their own, set before anything imports numba."""

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("test-kernels")
