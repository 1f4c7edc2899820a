//! One way to speak to either database: a statement with its values, and rows read by column.
//!
//! The library's types are those of one database each. Here connection, pool and row are of either, so that every
//! statement and every reading of a row stands once in this room. What truly differs is in `dialect`, and in statements
//! that say [`Query::on_postgres`]. Placeholders are `$1`, `$2`, …, which both understand.

use std::borrow::Cow;
use std::marker::PhantomData;
use std::ops::{Deref, DerefMut};

use sqlx::pool::PoolConnection;
use sqlx::postgres::{PgArguments, PgPool, PgRow};
use sqlx::sqlite::{SqliteArguments, SqlitePool, SqliteRow};
use sqlx::{ColumnIndex, Database, Error, Postgres, Row as _, SqlSafeStr, SqlStr, Sqlite, Transaction};

use crate::store::StoreError;

/// Connections to one of them.
#[derive(Debug, Clone)]
pub(super) enum Pool {
    Sqlite(SqlitePool),
    Postgres(PgPool),
}

impl Pool {
    pub(super) async fn acquire(&self) -> Result<Connection, Error> {
        Ok(match self {
            Self::Sqlite(pool) => Connection::Sqlite(Link::Pooled(pool.acquire().await?)),
            Self::Postgres(pool) => Connection::Postgres(Link::Pooled(pool.acquire().await?)),
        })
    }

    /// A connection on which everything is read as it is at one moment.
    pub(super) async fn begin_reading(&self) -> Result<Connection, Error> {
        const AT_ONE_MOMENT: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";
        Ok(match self {
            Self::Sqlite(pool) => Connection::Sqlite(Link::Reading(pool.begin().await?)),
            Self::Postgres(pool) => {
                Connection::Postgres(Link::Reading(pool.begin_with(AT_ONE_MOMENT).await?))
            }
        })
    }

    pub(super) async fn close(&self) {
        match self {
            Self::Sqlite(pool) => pool.close().await,
            Self::Postgres(pool) => pool.close().await,
        }
    }
}

/// A connection to one of them.
pub(super) enum Connection {
    Sqlite(Link<Sqlite>),
    Postgres(Link<Postgres>),
}

impl Connection {
    /// Gives it up for good, with whatever it was in the midst of.
    pub(super) fn abandon(self) {
        match self {
            Self::Sqlite(Link::Pooled(mut connection)) => connection.close_on_drop(),
            Self::Postgres(Link::Pooled(mut connection)) => connection.close_on_drop(),
            Self::Sqlite(Link::Reading(_)) | Self::Postgres(Link::Reading(_)) => {}
        }
    }
}

/// What stands behind a connection.
pub(super) enum Link<D: Database> {
    Pooled(PoolConnection<D>),
    Reading(Transaction<'static, D>),
}

impl<D: Database> Deref for Link<D> {
    type Target = D::Connection;

    fn deref(&self) -> &D::Connection {
        match self {
            Self::Pooled(connection) => connection,
            Self::Reading(transaction) => transaction,
        }
    }
}

impl<D: Database> DerefMut for Link<D> {
    fn deref_mut(&mut self) -> &mut D::Connection {
        match self {
            Self::Pooled(connection) => connection,
            Self::Reading(transaction) => transaction,
        }
    }
}

/// On what a statement is carried out.
pub(super) enum On<'c> {
    Connection(&'c mut Connection),
    Pool(&'c Pool),
}

impl<'c> From<&'c mut Connection> for On<'c> {
    fn from(connection: &'c mut Connection) -> Self {
        Self::Connection(connection)
    }
}

impl<'c> From<&'c Pool> for On<'c> {
    fn from(pool: &'c Pool) -> Self {
        Self::Pool(pool)
    }
}

/// A value that a statement is given. `None` still has a type.
pub(super) enum Value<'q> {
    Int(Option<i64>),
    Real(Option<f64>),
    Bool(Option<bool>),
    Text(Option<Cow<'q, str>>),
    Bytes(Option<Cow<'q, [u8]>>),
}

/// What can be given to a statement.
pub(super) trait Bind<'q> {
    const NONE: Value<'q>;

    fn value(self) -> Value<'q>;
}

macro_rules! bind {
    ($($variant:ident: $($type:ty => $convert:expr),+;)+) => {
        $($(impl<'q> Bind<'q> for $type {
            const NONE: Value<'q> = Value::$variant(None);

            fn value(self) -> Value<'q> {
                let convert: fn(Self) -> _ = $convert;
                Value::$variant(Some(convert(self)))
            }
        })+)+
    };
}

bind! {
    Int: i64 => |v| v, u32 => i64::from, &u32 => |v| i64::from(*v);
    Real: f64 => |v| v;
    Bool: bool => |v| v;
    Text: &'q str => Cow::Borrowed, String => Cow::Owned, &'q String => |v| Cow::Borrowed(v.as_str());
    Bytes: &'q [u8] => Cow::Borrowed, Vec<u8> => Cow::Owned, &'q Vec<u8> => |v| Cow::Borrowed(v.as_slice());
}

impl<'q, T: Bind<'q>> Bind<'q> for Option<T> {
    const NONE: Value<'q> = T::NONE;

    fn value(self) -> Value<'q> {
        self.map_or(T::NONE, T::value)
    }
}

impl<'q> Bind<'q> for &'q Option<String> {
    const NONE: Value<'q> = Value::Text(None);

    fn value(self) -> Value<'q> {
        self.as_deref().value()
    }
}

/// A statement and its values.
pub(super) struct Query<'q> {
    text: SqlStr,
    on_postgres: Option<&'static str>,
    values: Vec<Value<'q>>,
}

pub(super) fn query<'q>(text: impl SqlSafeStr) -> Query<'q> {
    Query { text: text.into_sql_str(), on_postgres: None, values: Vec::new() }
}

/// A statement that gives one value, or one a row.
pub(super) fn query_scalar<'q, T>(text: impl SqlSafeStr) -> Scalar<'q, T> {
    Scalar { query: query(text), of: PhantomData }
}

/// Calls a method of the library's query on what stands behind `$on`.
macro_rules! carried_out {
    ($query:expr, $on:expr, $method:ident) => {
        match $on.into() {
            On::Pool(Pool::Sqlite(pool)) => $query.sqlite().$method(pool).await.map(Either::Sqlite),
            On::Pool(Pool::Postgres(pool)) => $query.postgres().$method(pool).await.map(Either::Postgres),
            On::Connection(Connection::Sqlite(c)) => {
                $query.sqlite().$method(&mut **c).await.map(Either::Sqlite)
            }
            On::Connection(Connection::Postgres(c)) => {
                $query.postgres().$method(&mut **c).await.map(Either::Postgres)
            }
        }
    };
}

/// What one of the two answered.
enum Either<S, P> {
    Sqlite(S),
    Postgres(P),
}

impl<'q> Query<'q> {
    /// How PostgreSQL has to be told the same.
    pub(super) fn on_postgres(mut self, text: &'static str) -> Self {
        self.on_postgres = Some(text);
        self
    }

    pub(super) fn bind(mut self, value: impl Bind<'q>) -> Self {
        self.values.push(value.value());
        self
    }

    /// Carries it out; says how many rows it changed.
    pub(super) async fn execute(self, on: impl Into<On<'_>>) -> Result<u64, Error> {
        Ok(match carried_out!(self, on, execute)? {
            Either::Sqlite(done) => done.rows_affected(),
            Either::Postgres(done) => done.rows_affected(),
        })
    }

    pub(super) async fn fetch_all(self, on: impl Into<On<'_>>) -> Result<Vec<Row>, Error> {
        Ok(match carried_out!(self, on, fetch_all)? {
            Either::Sqlite(rows) => rows.into_iter().map(Row::Sqlite).collect(),
            Either::Postgres(rows) => rows.into_iter().map(Row::Postgres).collect(),
        })
    }

    /// Every row as `read` has it, each as it comes: of a long list the rows never stand in memory beside what is read of
    /// them.
    pub(super) async fn fetch_each<T: Send + Unpin>(
        self,
        on: impl Into<On<'_>>,
        mut read: impl FnMut(&Row) -> Result<T, StoreError> + Send,
    ) -> Result<Vec<T>, StoreError> {
        let rows = match on.into() {
            On::Pool(Pool::Sqlite(pool)) => {
                self.sqlite().map(|row| read(&Row::Sqlite(row))).fetch_all(pool).await
            }
            On::Pool(Pool::Postgres(pool)) => {
                self.postgres().map(|row| read(&Row::Postgres(row))).fetch_all(pool).await
            }
            On::Connection(Connection::Sqlite(c)) => {
                self.sqlite().map(|row| read(&Row::Sqlite(row))).fetch_all(&mut **c).await
            }
            On::Connection(Connection::Postgres(c)) => {
                self.postgres().map(|row| read(&Row::Postgres(row))).fetch_all(&mut **c).await
            }
        };
        rows?.into_iter().collect()
    }

    pub(super) async fn fetch_optional(self, on: impl Into<On<'_>>) -> Result<Option<Row>, Error> {
        Ok(match carried_out!(self, on, fetch_optional)? {
            Either::Sqlite(row) => row.map(Row::Sqlite),
            Either::Postgres(row) => row.map(Row::Postgres),
        })
    }

    pub(super) async fn fetch_one(self, on: impl Into<On<'_>>) -> Result<Row, Error> {
        self.fetch_optional(on).await?.ok_or(Error::RowNotFound)
    }

    fn sqlite(self) -> sqlx::query::Query<'q, Sqlite, SqliteArguments> {
        let mut query = sqlx::query::<Sqlite>(self.text);
        for value in self.values {
            query = match value {
                Value::Int(v) => query.bind(v),
                Value::Real(v) => query.bind(v),
                Value::Bool(v) => query.bind(v),
                Value::Text(v) => query.bind(v),
                Value::Bytes(v) => query.bind(v),
            };
        }
        query
    }

    fn postgres(self) -> sqlx::query::Query<'q, Postgres, PgArguments> {
        let text = self.on_postgres.map_or(self.text, SqlSafeStr::into_sql_str);
        let mut query = sqlx::query::<Postgres>(text);
        for value in self.values {
            query = match value {
                Value::Int(v) => query.bind(v),
                Value::Real(v) => query.bind(v),
                Value::Bool(v) => query.bind(v),
                Value::Text(v) => query.bind(v.map(without_nul)),
                Value::Bytes(v) => query.bind(v),
            };
        }
        query
    }
}

/// PostgreSQL's text has no NUL, and refuses one. What is kept has none either: every text is checked where it comes in. So
/// only something that is looked for can hold one, and it must find nothing.
fn without_nul(text: Cow<'_, str>) -> Cow<'_, str> {
    if text.contains('\0') { Cow::Owned(text.replace('\0', "\u{fffd}")) } else { text }
}

/// A statement that gives one value a row.
pub(super) struct Scalar<'q, T> {
    query: Query<'q>,
    of: PhantomData<fn() -> T>,
}

impl<'q, T: for<'r> Column<'r>> Scalar<'q, T> {
    pub(super) fn bind(mut self, value: impl Bind<'q>) -> Self {
        self.query = self.query.bind(value);
        self
    }

    pub(super) async fn fetch_all(self, on: impl Into<On<'_>>) -> Result<Vec<T>, Error> {
        self.query.fetch_all(on).await?.iter().map(|row| T::of(row, 0)).collect()
    }

    pub(super) async fn fetch_optional(self, on: impl Into<On<'_>>) -> Result<Option<T>, Error> {
        self.query.fetch_optional(on).await?.map(|row| T::of(&row, 0)).transpose()
    }

    pub(super) async fn fetch_one(self, on: impl Into<On<'_>>) -> Result<T, Error> {
        T::of(&self.query.fetch_one(on).await?, 0)
    }
}

/// A row of one of them.
pub(super) enum Row {
    Sqlite(SqliteRow),
    Postgres(PgRow),
}

/// A column by its name or place.
pub(super) trait Place: ColumnIndex<SqliteRow> + ColumnIndex<PgRow> {}

impl<T: ColumnIndex<SqliteRow> + ColumnIndex<PgRow>> Place for T {}

impl Row {
    pub(super) fn try_get<'r, T: Column<'r>>(&'r self, column: &str) -> Result<T, Error> {
        T::of(self, column)
    }

    /// The bytes of a text or of bytes, whether or not they are of its type: of a row that may have been damaged.
    pub(super) fn bytes_unchecked(&self, column: &str) -> Result<&[u8], Error> {
        match self {
            Self::Sqlite(row) => row.try_get_unchecked(column),
            Self::Postgres(row) => row.try_get_unchecked(column),
        }
    }
}

/// What a column can be read as.
pub(super) trait Column<'r>: Sized {
    fn of(row: &'r Row, place: impl Place) -> Result<Self, Error>;
}

macro_rules! column {
    ($($type:ty),+) => {
        $(impl<'r> Column<'r> for $type {
            fn of(row: &'r Row, place: impl Place) -> Result<Self, Error> {
                match row {
                    Row::Sqlite(row) => row.try_get(place),
                    Row::Postgres(row) => row.try_get(place),
                }
            }
        }

        impl<'r> Column<'r> for Option<$type> {
            fn of(row: &'r Row, place: impl Place) -> Result<Self, Error> {
                match row {
                    Row::Sqlite(row) => row.try_get(place),
                    Row::Postgres(row) => row.try_get(place),
                }
            }
        })+
    };
}

column!(i64, f64, bool, &'r str, String, &'r [u8], Vec<u8>);

impl<'r> Column<'r> for u32 {
    fn of(row: &'r Row, place: impl Place) -> Result<Self, Error> {
        let wide = i64::of(row, &place)?;
        let narrow = Self::try_from(wide);
        narrow.map_err(|e| Error::ColumnDecode { index: format!("{place:?}"), source: Box::new(e) })
    }
}

impl<'r> Column<'r> for Option<u32> {
    fn of(row: &'r Row, place: impl Place) -> Result<Self, Error> {
        let is_there = Option::<i64>::of(row, &place)?.is_some();
        is_there.then(|| u32::of(row, place)).transpose()
    }
}
