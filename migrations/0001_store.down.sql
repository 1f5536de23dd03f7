-- Removes the store and everything in it. The role stays when another database of the cluster still uses it.
DROP SCHEMA ponderal CASCADE;
REVOKE ALL ON public.ponderal_schema_migrations FROM ponderal_service;
DO $$
BEGIN
    DROP ROLE ponderal_service;
EXCEPTION
    WHEN dependent_objects_still_exist OR insufficient_privilege OR undefined_object OR object_in_use THEN NULL;
END
$$;
