DROP TABLE ponderal.session_conflict;
