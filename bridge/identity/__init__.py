"""What an identifier is: patient IDs by the site's rule, and which strip a record speaks of."""
