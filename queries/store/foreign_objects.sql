-- foreign_objects
--
-- purpose: what a database holds that no store ever has, whatever version made it. The catalogue is listed only:
--   nothing in it is run.
-- grain: one row per object.
-- reads: the catalogue of the database in use
-- returns:
--   kind [text]: macro, sequence, index, constraint, trigger, schema or default
--   name [text]: its name
SELECT 'macro' AS kind, function_name AS name
FROM duckdb_functions()
WHERE database_name = current_database() AND NOT internal
UNION ALL
SELECT 'sequence', sequence_name FROM duckdb_sequences() WHERE database_name = current_database()
UNION ALL
SELECT 'index', index_name FROM duckdb_indexes() WHERE database_name = current_database()
UNION ALL
SELECT 'constraint', constraint_text FROM duckdb_constraints() WHERE database_name = current_database()
UNION ALL
SELECT 'trigger', trigger_name FROM duckdb_triggers() WHERE database_name = current_database()
UNION ALL
SELECT 'schema', schema_name
FROM duckdb_schemas()
WHERE database_name = current_database() AND NOT internal AND schema_name <> 'kept'
UNION ALL
SELECT 'default', table_name || '.' || column_name
FROM duckdb_columns()
WHERE database_name = current_database() AND NOT internal AND column_default IS NOT NULL
