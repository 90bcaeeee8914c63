"""What a person enters beside the STEP file: choices, overrides, answers, the shop file."""
