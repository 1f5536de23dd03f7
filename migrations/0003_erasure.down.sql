-- Filled by the change that needs it.
SELECT 1;
