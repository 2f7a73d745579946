-- What repeated.sql tells, from the log of changes that every load keeps: no key of all the services is compared again.
select distinct key as service_id
from changes
where table_name = 'services'
