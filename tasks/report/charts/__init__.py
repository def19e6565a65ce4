"""One file per kind of chart; each holds functions decorated with `chart`."""
