-- Erasing a person: name, address and account go, and whatever an entry of the log committed to about
-- them; the rows and entries stay.

ALTER TABLE people ADD COLUMN erased_at timestamptz;
ALTER TABLE people ADD CONSTRAINT people_erased CHECK (erased_at IS NULL OR email IS NULL);

-- Whom or what a disclosure is about, where its value is an id.
ALTER TABLE disclosures ADD COLUMN about uuid;
CREATE INDEX disclosures_by_about ON disclosures (about) WHERE about IS NOT NULL;

GRANT DELETE ON accounts TO wardbook_service;
