"""Drives and sensors that are described in the profile: CAN messages, text lines, binary frames."""
