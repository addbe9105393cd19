"""How a command ends, for whoever started it."""

EXIT_MISTAKE = 2  # in usage, site file or invitation
EXIT_FAILED = 3  # a measurement that failed, or a check that says no: a result
EXIT_STOPPED = 130  # by SIGINT or SIGTERM, as a shell counts the first
