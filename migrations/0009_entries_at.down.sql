DROP INDEX ponderal.audit_entry_at;
