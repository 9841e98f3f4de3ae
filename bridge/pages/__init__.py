"""The technician's pages and the JSON API: they show rows and call the desk; they decide nothing."""
