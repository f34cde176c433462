"""From known loads to a force law that can be defended: fit, uncertainty, history, procedure."""
