//! Pages and HTTP: the API, the server-rendered pages, live events, sign-in.
