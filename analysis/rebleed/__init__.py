"""`import rebleed as rb`: the public names of `analysis` under the project's name; the build installs this as `rebleed`.

`help(rebleed)` lists the names; `help("analysis")` has examples.
"""

from analysis import *  # noqa: F403
from analysis import __all__ as __all__
