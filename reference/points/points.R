# Point-pattern summaries of the invented pattern by spatstat. Run in this folder: Rscript points.R
suppressMessages({library(spatstat.geom); library(spatstat.explore); library(survival)})
options(digits = 17)
w <- read.csv("window.csv"); p <- read.csv("points.csv")
turn <- function(d, anticlockwise) { a <- sum(d$x * c(d$y[-1], d$y[1]) - c(d$x[-1], d$x[1]) * d$y); if ((a > 0) != anticlockwise) d[nrow(d):1, ] else d }
W <- owin(poly = lapply(1:2, function(k) { d <- turn(w[w$ring == k, ], k == 1); list(x = d$x, y = d$y) }))
X <- ppp(p$x, p$y, window = W, marks = factor(p$ant))
U <- unmark(X)
r <- seq(0, 12, length.out = 49)
K <- Kest(U, r = r, correction = c("border", "isotropic", "translate", "rigid"))
C <- Kcross(X, "a", "b", r = r, correction = "isotropic")
# exact weights in place of the pixel approximation: area of the window and its shifted copy by polygon clipping
d <- pairdist(U); n <- npoints(U)
exact <- matrix(0, n, n)
for (i in 1:n) for (j in 1:n) if (i < j && d[i, j] <= 12) exact[i, j] <- exact[j, i] <- area(W) / overlap.owin(W, shift(W, c(U$x[j] - U$x[i], U$y[j] - U$y[i])))
trans <- sapply(r, function(v) area(W) / (n * (n - 1)) * sum(exact[d <= v & row(d) != col(d)]))
# border by its definition; spatstat's own counts points and pairs in bins of r, which tells with bins this wide
b <- bdist.points(U)
border <- sapply(r, function(v) sum(d <= v & row(d) != col(d) & b >= v) / (n / area(W) * sum(b >= v)))
h <- 0.15 / sqrt(intensity(U))
m <- markconnect(X, "a", "b", r = r, correction = "isotropic", method = "density", kernel = "epanechnikov", bw = h / sqrt(5))
write.csv(data.frame(r = r, border_bins = K$border, border_exact = border, isotropic = K$iso, translation_pixels = K$trans, translation_exact = trans, rigid_pixels = K$rigid, cross_isotropic = C$iso, connection_isotropic = m$iso), "k.csv", row.names = FALSE)
# pair correlation summed exactly with spatstat's own isotropic weights
ok <- d <= 14 & row(d) != col(d)
e <- matrix(0, n, n); e[ok] <- edge.Ripley(U, d)[ok]
kern <- function(t) ifelse(abs(t) < h, 0.75 / h * (1 - (t / h)^2), 0)
g <- sapply(r[r > 0], function(v) area(W) / (n * (n - 1) * 2 * pi * v) * sum(e[ok] * kern(v - d[ok])))
conn <- sapply(r[r > 0], function(v) { hit <- ok & outer(marks(X) == "a", marks(X) == "b"); sum(e[hit] * kern(v - d[hit])) / sum(e[ok] * kern(v - d[ok])) })
write.csv(data.frame(r = r[r > 0], g = g, connection = conn, g_spatstat = pcf(U, r = r, correction = "isotropic", kernel = "epanechnikov", bw = h / sqrt(5), divisor = "r")$iso[-1]), "g.csv", row.names = FALSE)
# nearest neighbours: Kaplan-Meier on exact distances
nn <- nndist(U)
s <- summary(survfit(Surv(pmin(nn, b), nn <= b) ~ 1), times = seq(0.5, 6, 0.5), extend = TRUE)
write.csv(data.frame(r = s$time, within = 1 - s$surv), "nearest.csv", row.names = FALSE)
write.csv(as.data.frame(table(ant = marks(X), neighbour = marks(X)[nnwhich(U)])), "neighbours.csv", row.names = FALSE)
cat("area", format(area(W), digits = 15), "points", n, "half width", format(h, digits = 15), "\n")
cat("spatstat.explore", as.character(packageVersion("spatstat.explore")), "spatstat.geom", as.character(packageVersion("spatstat.geom")), "survival", as.character(packageVersion("survival")), R.version.string, "\n")
