"""What `wallguard library` can be asked to do."""
