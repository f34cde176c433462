"""First power-up of an actuator that has never moved under this software, step by step."""
