"""Several boards and sensors combined to one rig."""
