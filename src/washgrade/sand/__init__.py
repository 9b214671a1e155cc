"""The sand: grade along the channels, with honest uncertainty.

``layers``: what people record, and its error. ``sample``: readings of the bite from them. ``along``:
distances along the channel. ``covariance``, ``covariates``: the choices. ``tree``, ``solver``,
``regression``, ``inference``: the exact solver, linear in the nodes. ``priors``, ``censor``, ``hyper``:
averaging over ranges and variances. ``mixture``, ``grade``: the estimate.
"""
