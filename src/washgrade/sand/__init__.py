"""The sand: grade along the channels, with honest uncertainty.

What people record: ``layers`` (samples, and how they are taken), ``gy`` (how far a sample's grade may lie
from that of the sand), ``sample`` (readings of the bite), ``profile`` (down a hole, buried streaks),
``repeat`` (what duplicates tell), ``purity`` (how much of the magnetics is magnetite).

What is thought of the sand: ``covariance`` and ``covariates`` (the choices), ``planar`` (likeness across the
land), ``dilution`` (known sources), ``priors``, ``before`` (what the model expects before any sample).

The exact solver, linear in the nodes: ``tree``, ``along`` (distances along the channel), ``solver``,
``regression``, ``inference``. Averaging over ranges and variances: ``even`` (points), ``tails`` and
``censor`` (traces), ``hyper``, ``weighed`` (the one place where all this becomes a model).

What comes out: ``mixture``, ``grade``, ``support`` (what it rests on), ``chances`` (of ranks), ``reasons``,
``diagnosis`` and ``doubts`` (each reading against the others), ``nextsample`` (where one more would help).
"""
