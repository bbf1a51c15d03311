"""Set for all tests before numpy is imported."""

import os

# Tests run in as many processes as there are cores: threads of the libraries would only wait for each other.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
