DROP TABLE ponderal.countersignature;
