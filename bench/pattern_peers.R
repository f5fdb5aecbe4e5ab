# Point patterns by spatstat: Rscript bench/pattern_peers.R FOLDER
# Writes a window of 131 corners and evenly scattered points into FOLDER, then its own K and processor seconds.
suppressMessages({library(spatstat.random); library(spatstat.explore); library(spatstat.data)})
folder <- commandArgs(TRUE)[1]
out <- function(x, name) write.csv(x, file.path(folder, name), row.names = FALSE)
cpu <- function(e) { s <- system.time(e); s[["user.self"]] + s[["sys.self"]] }
W <- Window(chorley)
corners <- do.call(rbind, lapply(W$bdry, function(b) data.frame(x = b$x, y = b$y)))
out(format(corners, digits = 17), "window.csv")
set.seed(1)
seconds <- c()
for (n in c(500, 5000)) {
  X <- runifpoint(n, W)
  out(format(data.frame(x = X$x, y = X$y), digits = 17), sprintf("points%d.csv", n))
  rmax <- rmax.rule("K", W, intensity(X))
  r <- seq(0, rmax, length.out = 513)
  iso <- median(sapply(seq_len(if (n == 500) 5 else 3), function(i) cpu(Kest(X, r = r, correction = "isotropic"))))
  K <- Kest(X, r = r, correction = c("border", "isotropic", "rigid"))
  out(data.frame(r = r, isotropic = K$iso, border = K$border, rigid = K$rigid), sprintf("k%d.csv", n))
  if (n == 500) {
    near <- closepairs(X, rmax, what = "ijd")
    weight <- as.vector(edge.Ripley(X[near$i], matrix(near$d, ncol = 1)))
    out(format(data.frame(i = near$i, d = near$d, weight = weight), digits = 17), "weights.csv")
  }
  draws <- if (n == 500) 99 else 19
  env <- cpu(envelope(X, Kest, nsim = draws, correction = "border", verbose = FALSE)) / (draws + 1)
  seconds <- rbind(seconds, data.frame(n = n, rmax = rmax, isotropic = iso, border_draw = env))
}
out(seconds, "seconds.csv")
