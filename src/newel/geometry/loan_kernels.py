"""Arrays on loan to kernels: without a share in their ownership, the counting of which took a third of the carving.

A kernel that hands arrays on, or takes them out of a tuple, counts their owners up and down wherever numba can't tell that both
fall together: in every loop with more than one way out. On loan there is no owner to count, and where the compiler sees that
(the loan is taken in the first lines of the kernel that works with them) nothing of the counting is left.
"""

from __future__ import annotations

from numba import config
from numba.core import cgutils
from numba.extending import intrinsic

if config.DISABLE_JIT:

    def loan(array):
        """Return the array itself."""
        return array

else:

    @intrinsic
    def loan(typingctx, array):
        """Return the array without a share in its ownership; the owner must outlive it.

        Each pass of an owned array into a function counts owners, with a locked instruction on a counter that all
        threads share: measured at half of the carving's time.
        """

        def codegen(context, builder, sig, args):
            loan = context.make_array(sig.args[0])(context, builder, value=args[0])
            loan.meminfo = cgutils.get_null_value(loan.meminfo.type)
            loan.parent = cgutils.get_null_value(loan.parent.type)
            return loan._getvalue()

        return array(array), codegen
