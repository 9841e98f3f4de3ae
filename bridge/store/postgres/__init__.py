"""The store on a PostgreSQL server. Imported only where the site's file names a database: SQLite's way does not pay for the driver."""
