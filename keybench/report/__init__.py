"""Reports: from stored predictions to tables, pictures and a recommendation in plain words."""
