-- The first form. What begins with --lite or --server is for one of the two databases only.
create table meta (key text primary key, value text not null) strict;
-- What is kept: one row a record, in its present version; `link` is the link of the chain that wrote it.
create table record (
    n integer primary key,
    id text not null unique,
    kind text not null,
    person text not null,
    day text,
    state text not null,
    version integer not null,
    written text not null,
    author text not null,
    link integer not null,
    body text not null
) strict;
create index record_person on record (person, kind, day);
create index record_kind on record (kind, state, day);
create index record_link on record (link);
-- Versions that were replaced.
create table earlier (
    id text not null,
    version integer not null,
    person text not null,
    written text not null,
    author text not null,
    link integer not null,
    body text not null,
    primary key (id, version)
) strict;
create index earlier_link on earlier (link);
create index earlier_person on earlier (person);
-- Who cares for whom.
create table care (person text not null, account text not null, since text not null, primary key (person, account)) strict;
create index care_account on care (account);
-- Bytes of attachments.
create table bytes (id text primary key, person text not null, data blob not null) strict;
create index bytes_person on bytes (person);
-- People whose record was erased, and what the law keeps of it until when.
create table erased (person text primary key, at text not null, author text not null, until text not null, why text not null) strict;
create table account (
    id text primary key,
    role text not null,
    full_name text not null,
    password text not null,
    secret text not null,
    confirmed integer not null,
    last_step integer not null,
    closed integer not null,
    created text not null
) strict;
create table session (token text primary key, account text not null, begun integer not null, seen integer not null) strict;
create index session_account on session (account);
create table attempt (key text not null, at integer not null) strict;
create index attempt_key on attempt (key, at);
create table audit (
    number integer primary key,
    at text not null,
    who text not null,
    what text not null,
    about text not null,
    person text not null,
    content text not null,
    before text not null,
    hash text not null
) strict;
create index audit_person on audit (person);
-- The book of stock; `used` holds the dispensing number of what left stock, so that none leaves twice.
create table stock (number integer primary key, used text unique, link integer not null, entry text not null) strict;
