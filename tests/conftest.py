"""What all tests share: a cache of compiled kernels, set before anything imports numba, and the mark `uncompiled`.

Property tests draw the same examples on every run, so that a green main stays green; to look for new ones by hand:
`pytest --hypothesis-profile explore`.
"""

from pathlib import Path

import pytest
from hypothesis import settings

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("test-kernels")

settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("explore", derandomize=False, deadline=None)
settings.load_profile("same")

# Small enough to run with NUMBA_DISABLE_JIT=1 as well: then every line of a kernel is plain Python, with real tracebacks and
# bounds that are checked.
UNCOMPILED = {
    "agreement/test_bar_elements.py",
    "agreement/test_clock.py",
    "agreement/test_edge_facets.py",
    "agreement/test_engagement.py",
    "agreement/test_program_agreement.py",
    "agreement/test_proof_strikes.py",
    "published/test_profile_values.py",
    "published/test_rs274ngc_language.py",
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests of the files above."""
    here = Path(__file__).parent
    for item in items:
        if item.path.is_relative_to(here) and item.path.relative_to(here).as_posix() in UNCOMPILED:
            item.add_marker(pytest.mark.uncompiled)
