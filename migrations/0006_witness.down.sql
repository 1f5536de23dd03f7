DROP TABLE ponderal.cosignature;
