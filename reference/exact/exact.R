# Exact odds ratios of 2 x 2 tables, alone and by stratum. R stats only. Writes exact.csv to standard output.
# The tests look for their roots with R's default tolerance, good to 1 % at far ends; here with a finer one.
options(digits = 15)
finely <- function(f) {
  environment(f) <- list2env(list(uniroot = function(...) stats::uniroot(..., tol = 1e-14, maxiter = 10000)),
                             parent = environment(f))
  f
}
fisher.test <- finely(stats::fisher.test)
mantelhaen.test <- finely(stats::mantelhaen.test)
one <- list(
  vines = matrix(c(40, 7, 42, 63), 2),
  tea = matrix(c(3, 1, 1, 3), 2),
  convictions = matrix(c(2, 15, 10, 3), 2),
  none_left = matrix(c(0, 9, 20, 11), 2),
  all_right = matrix(c(12, 4, 0, 9), 2),
  rare = matrix(c(3, 14, 997, 986), 2),
  large = matrix(c(4100, 3600, 45900, 46400), 2)
)
cat("case,odds_ratio,low,high,p\n")
show <- function(name, f) cat(sprintf("%s,%.12g,%.12g,%.12g,%.12g\n", name, f$estimate, f$conf.int[1], f$conf.int[2], f$p.value))
for (n in names(one)) show(n, fisher.test(one[[n]]))
admissions <- aperm(UCBAdmissions, c(2, 1, 3))
show("admissions", mantelhaen.test(admissions, exact = TRUE))
rabbits <- array(c(0, 0, 6, 5, 3, 0, 3, 6, 6, 2, 0, 4, 5, 6, 1, 0, 2, 5, 0, 0), dim = c(2, 2, 5))
show("rabbits", mantelhaen.test(rabbits, exact = TRUE))
set.seed(7)
few <- array(rpois(4 * 24, c(1, 0.3, 12, 14)), dim = c(2, 2, 24))
few <- few[, , apply(few, 3, sum) > 1]
show("few", mantelhaen.test(few, exact = TRUE))
write.table(matrix(few, ncol = 4, byrow = TRUE), "few.csv", sep = ",", row.names = FALSE, col.names = c("a", "c", "b", "d"))
