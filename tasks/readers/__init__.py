"""One reader per format; a file here is found and registered by itself."""
