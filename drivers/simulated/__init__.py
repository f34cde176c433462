"""The simulated rig: physics, sensors, the drive's own firmware, and what surrounds it."""
