"""The practice site: an invented line on this machine, with faults, that is measured for real."""
