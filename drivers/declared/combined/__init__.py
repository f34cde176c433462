"""Several boards and sensors that make one rig."""
