"""``python -m wearlab`` and the ``wearlab`` command."""

import os
import sys

from wearlab.cli import run

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def main() -> None:
    """Run the command line and leave with its exit status.

    Matrix products run in one thread, whatever the environment says: in several their last digits would hang on how
    many there are. The database keeps its own threads.
    """
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))  # read when numpy is imported, which no module above does
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
