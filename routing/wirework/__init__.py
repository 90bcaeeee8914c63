"""What a wire machine needs: exact outlines across the wire, start holes, slugs."""
