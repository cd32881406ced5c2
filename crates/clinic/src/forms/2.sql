-- The search: the tokens of each record, and all tokens there are.
--lite create virtual table words using fts5(tokens, content='', contentless_delete=1, detail=none, tokenize="unicode61 remove_diacritics 0 tokenchars ':-_.'");
--server create table words (rowid bigint primary key, tokens text[] not null);
--server create index words_tokens on words using gin (tokens);
--server alter table words alter column tokens set statistics 1000;
create table word (n integer primary key, token text not null unique) strict;
