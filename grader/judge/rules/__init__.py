"""Rule files -> checked, frozen rule sets."""
