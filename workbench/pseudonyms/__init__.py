"""What identifies a person in transcripts: looking for it, the key of replacements, and putting them in."""
