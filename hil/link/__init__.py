"""The link between the rig host and everything that watches or asks: ZeroMQ, local or CURVE."""
