"""The RIDE stage: which parts make a ride, and what the rules say of it. Reads no other ride."""
