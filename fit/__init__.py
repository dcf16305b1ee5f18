"""Numbers to advice: the shared fit checker. No images, no files but the house rules."""
