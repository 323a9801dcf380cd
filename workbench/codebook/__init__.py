"""The codebook: its versions, what changed between them, what to look at, and files in and out."""
