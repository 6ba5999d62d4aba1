"""The bench page: parse, call a job, show; no arithmetic. `fairpanel open` serves it on this computer alone."""
