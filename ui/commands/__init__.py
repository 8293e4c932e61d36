"""One file a sub-command of `driftbeat`; each holds a `command`.

Heavy imports stand in the bodies, so that `driftbeat COMMAND --help` answers at once too.
"""
